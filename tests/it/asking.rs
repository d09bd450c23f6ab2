//! Questions put to the API within the program.

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Request, StatusCode, header},
};
use packdrift::{api, config::Setup, reading::Channels};
use serde_json::Value;
use tower::ServiceExt;

use crate::past;

/// An API on a store with a short winter in it.
pub struct Api {
    router: Router,
    runtime: tokio::runtime::Runtime,
    folder: tempfile::TempDir,
}

impl Api {
    /// On a store with so many days of winter in it.
    pub fn new(days: u32) -> Self {
        let (app, runtime, folder) = past::app(days, |_| None);
        Self {
            router: api::app(app),
            runtime,
            folder,
        }
    }

    /// On a store with these readings in it.
    pub fn on(setup: Setup, readings: impl IntoIterator<Item = (i64, u16, Channels)>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (app, runtime) = past::app_in(folder.path(), setup, readings, None);
        Self {
            router: api::app(app),
            runtime,
            folder,
        }
    }

    /// The same store with an edited setup, as after a restart.
    pub fn edited(self, setup: Setup) -> Self {
        let Self {
            router,
            runtime,
            folder,
        } = self;
        drop(router);
        drop(runtime);
        let (app, runtime) = past::app_in(folder.path(), setup, [], None);
        Self {
            router: api::app(app),
            runtime,
            folder,
        }
    }

    pub fn send(&self, method: &str, path: &str, body: Option<Value>) -> (StatusCode, Value) {
        let (status, _, document) = self.send_with(method, path, body, None);
        (status, document)
    }

    pub fn send_with(
        &self,
        method: &str,
        path: &str,
        body: Option<Value>,
        known: Option<&str>,
    ) -> (StatusCode, Option<String>, Value) {
        let mut request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/json");
        if let Some(known) = known {
            request = request.header(header::IF_NONE_MATCH, known);
        }
        let request = request
            .body(body.map_or_else(Body::empty, |body| Body::from(body.to_string())))
            .unwrap();
        self.runtime.block_on(async {
            let response = self.router.clone().oneshot(request).await.unwrap();
            let status = response.status();
            let tag = response
                .headers()
                .get(header::ETAG)
                .map(|tag| tag.to_str().unwrap().to_owned());
            let bytes = to_bytes(response.into_body(), usize::MAX).await.unwrap();
            (
                status,
                tag,
                if bytes.is_empty() {
                    Value::Null
                } else {
                    serde_json::from_slice(&bytes).unwrap()
                },
            )
        })
    }

    pub fn get(&self, path: &str) -> Value {
        // On a machine with other work the first answer may have to be asked for again.
        let mut answers = (0..20).map(|_| self.send("GET", path, None));
        let (status, document) = answers
            .find(|(status, _)| *status != StatusCode::SERVICE_UNAVAILABLE)
            .unwrap();
        assert_eq!(status, StatusCode::OK, "{path}: {document}");
        document
    }
}
