//! Answers carry an ETag of their content; who has the same one already gets 304 and no body (RFC 9110, 8.8.3).

use axum::{
    body::{Body, to_bytes},
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
    let (mut parts, body) = response.into_parts();
    let Ok(bytes) = to_bytes(body, usize::MAX).await else {
        return Problem::internal().into_response();
    };
    let tag = format!("\"{}\"", hex(&Sha256::digest(&bytes)[..12]));
    let Ok(value) = HeaderValue::from_str(&tag) else {
        return Problem::internal().into_response();
    };
    parts.headers.insert(header::ETAG, value);
    let same = known.and_then(|known| Some(known.to_str().ok()?.split(',').any(|one| one.trim() == tag)));
    if same == Some(true) {
        parts.status = StatusCode::NOT_MODIFIED;
        parts.headers.remove(header::CONTENT_TYPE);
        parts.headers.remove(header::CONTENT_LENGTH);
        return Response::from_parts(parts, Body::empty());
    }
    Response::from_parts(parts, Body::from(bytes))
}
