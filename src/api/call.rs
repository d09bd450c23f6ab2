//! Asks a router within the program, as a client would over the network.

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Method, Request, StatusCode, header},
};
use serde_json::Value;
use tower::ServiceExt;

/// Why a question within the program got no answer that can be read.
#[derive(Debug, thiserror::Error)]
pub enum CallError {
    /// The path is none.
    #[error("the question can't be asked")]
    Question(#[from] axum::http::Error),
    /// The answer broke off.
    #[error("the answer broke off")]
    Broken(#[from] axum::Error),
    /// The answer is not JSON.
    #[error("the answer can't be read")]
    Answer(#[from] serde_json::Error),
}

/// Sends one question, with a JSON body where there is one; gives the status and the document.
///
/// # Errors
/// Where the path is none, or the answer is no JSON document.
pub async fn call(
    router: &Router,
    method: &Method,
    path: &str,
    body: Option<&Value>,
) -> Result<(StatusCode, Value), CallError> {
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header(header::CONTENT_TYPE, "application/json")
        .body(body.map_or_else(Body::empty, |body| Body::from(body.to_string())))?;
    let Ok(response) = router.clone().oneshot(request).await;
    let status = response.status();
    let bytes = to_bytes(response.into_body(), usize::MAX).await?;
    Ok((status, serde_json::from_slice(&bytes)?))
}
