//! Answers carry an ETag of their content; who has the same one already gets 304 and no body (RFC 9110, 8.8.3).

use axum::{
    body::{Body, Bytes, to_bytes},
    extract::Request,
    http::{HeaderValue, Method, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use sha2::{Digest, Sha256};

use super::problem::Problem;
use crate::hex::hex;

pub(super) async fn revalidate(request: Request, next: Next) -> Response {
    let asks = request.method() == Method::GET;
    let known = request.headers().get(header::IF_NONE_MATCH).cloned();
    let response = next.run(request).await;
    if !asks || response.status() != StatusCode::OK {
        return response;
    }
    let mut response = if response.headers().contains_key(header::ETAG) {
        response
    } else {
        tagged(response)
            .await
            .map_or_else(Problem::into_response, |(response, _)| response)
    };
    let tag = response
        .headers()
        .get(header::ETAG)
        .and_then(|tag| tag.to_str().ok());
    let known = known.as_ref().and_then(|known| known.to_str().ok());
    if let Some((tag, known)) = tag.zip(known)
        && known.split(',').any(|one| is_of(one.trim(), tag))
    {
        *response.status_mut() = StatusCode::NOT_MODIFIED;
        *response.body_mut() = Body::empty();
        response.headers_mut().remove(header::CONTENT_TYPE);
        response.headers_mut().remove(header::CONTENT_LENGTH);
    }
    response
}

/// Whether what somebody knows is the answer of this tag. A proxy that compresses makes a tag weak (`W/`), which is of
/// no matter here (RFC 9110, 13.1.2).
fn is_of(known: &str, tag: &str) -> bool {
    known == "*" || known.strip_prefix("W/").unwrap_or(known) == tag
}

/// The same answer with its ETag, and its content.
pub(super) async fn tagged(response: Response) -> Result<(Response, Bytes), Problem> {
    let (mut parts, body) = response.into_parts();
    let content = to_bytes(body, usize::MAX)
        .await
        .map_err(|_| Problem::internal())?;
    let tag = format!("\"{}\"", hex(&Sha256::digest(&content)[..12]));
    let tag = HeaderValue::from_str(&tag).map_err(|_| Problem::internal())?;
    parts.headers.insert(header::ETAG, tag);
    Ok((Response::from_parts(parts, Body::from(content.clone())), content))
}
