//! `GET /v1/plots/{name}.svg`: one plot, as a file that can be read by itself.

use axum::{
    extract::{Path, Query, State, rejection::QueryRejection},
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Deserialize;

use super::{
    Page,
    asked::Refused,
    evidence::Question,
    paper::{refusal, style_hash},
    plots::{self, Plot, Size},
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wanted {
    bank: Option<String>,
    since: Option<String>,
    until: Option<String>,
    #[serde(default)]
    size: Size,
}

pub(super) async fn plot(
    State(page): State<Page>,
    Path(file): Path<String>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Response {
    let refused = match (file.strip_suffix(".svg").and_then(Plot::of), wanted) {
        (Some(plot), Ok(Query(wanted))) => match drawn(&page, plot, wanted).await {
            Ok(svg) => return svg,
            Err(refused) => refused,
        },
        (None, _) => Refused {
            status: StatusCode::NOT_FOUND,
            title: "No such plot".to_owned(),
            detail: format!(
                "there is: {}",
                Plot::ALL.map(|plot| format!("{}.svg", plot.name())).join(", ")
            ),
        },
        (_, Err(rejection)) => Refused {
            status: StatusCode::BAD_REQUEST,
            title: "The question can’t be read".to_owned(),
            detail: rejection.body_text(),
        },
    };
    refusal(&refused).into_response()
}

async fn drawn(page: &Page, plot: Plot, wanted: Wanted) -> Result<Response, Refused> {
    let question = Question {
        bank: wanted.bank,
        since: wanted.since,
        until: wanted.until,
    };
    let (question, evidence) = page.evidence(question.without_blanks()).await?;
    let series = if plot.needs_series() {
        page.series(&question, &evidence).await?
    } else {
        None
    };
    let svg = plot.draw(&evidence, series.as_ref(), wanted.size, true);
    let policy = format!("default-src 'none'; style-src '{}'", style_hash(plots::STYLE));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml")),
        (
            header::CACHE_CONTROL,
            HeaderValue::from_static("private, no-cache"),
        ),
        (
            header::X_CONTENT_TYPE_OPTIONS,
            HeaderValue::from_static("nosniff"),
        ),
        (
            header::CONTENT_SECURITY_POLICY,
            HeaderValue::from_str(&policy).map_err(|_| Refused::internal())?,
        ),
    ];
    Ok((headers, svg.into_string()).into_response())
}
