//! `GET /v1/openapi.json`: the description of the API (OpenAPI 3.1), made from the handlers and their types.
//!
//! Each handler says what it takes and gives beside itself; here stands only what holds for all of them.

use axum::{Json, Router, routing::get};
use serde_json::{Value, json};
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;

use super::{problem::Problem, state::App};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "packdrift",
        description = "How far each pack's own charge count has drifted from the truth. Instants are RFC 3339, units \
                       stand in the field names, a figure that can't be given is null."
    ),
    components(schemas(Problem))
)]
struct Begun;

/// A router that gathers descriptions along with handlers.
pub(super) fn begun() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(Begun::openapi())
}

/// Serves the description of what was gathered.
pub(super) fn router(gathered: &utoipa::openapi::OpenApi) -> Router<App> {
    let document = document(gathered);
    Router::new().route("/v1/openapi.json", get(async move || Json(document)))
}

/// The description with what holds everywhere: problems, and the token where one is wanted.
fn document(gathered: &utoipa::openapi::OpenApi) -> Value {
    let mut document = json!(gathered);
    let problem = json!({
        "description": "A problem document (RFC 9457) that says what to do",
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    });
    let paths = document["paths"].as_object_mut().into_iter().flatten();
    for (_, methods) in paths {
        for (_, operation) in methods.as_object_mut().into_iter().flatten() {
            let responses = operation["responses"].as_object_mut().into_iter().flatten();
            for (_, response) in responses {
                // OpenAPI wants one of each.
                if response["description"].is_null() {
                    response["description"] = "As the summary says".into();
                }
            }
            operation["responses"]["default"] = problem.clone();
        }
    }
    document["components"]["securitySchemes"]["token"] = json!({"type": "http", "scheme": "bearer"});
    // Wanted only where the API listens beyond its own machine.
    document["security"] = json!([{}, {"token": []}]);
    document
}
