//! Answers are kept for as long as the store stays as it is: who asks the same again gets the same.

use std::collections::VecDeque;

use axum::{
    body::{Body, Bytes},
    extract::{Request, State},
    http::{HeaderMap, Method, StatusCode, Uri},
    middleware::Next,
    response::{IntoResponse, Response},
};

use super::{etag::tagged, state::App};

/// How much is kept at most, bytes of content.
const MOST_BYTES: usize = 2 * 1024 * 1024;

/// Answers, all of one version of the store.
#[derive(Default)]
pub(super) struct Kept {
    version: u64,
    bytes: usize,
    /// By what was asked, oldest first.
    answers: VecDeque<(String, Answer)>,
}

#[derive(Clone)]
struct Answer {
    headers: HeaderMap,
    content: Bytes,
}

impl IntoResponse for Answer {
    fn into_response(self) -> Response {
        (self.headers, Body::from(self.content)).into_response()
    }
}

impl Kept {
    fn get(&self, version: u64, asked: &str) -> Option<Answer> {
        let mut answers = self.answers.iter().filter(|_| self.version == version);
        answers
            .find(|(question, _)| question == asked)
            .map(|(_, answer)| answer.clone())
    }

    fn put(&mut self, version: u64, asked: String, answer: Answer) {
        if self.version != version {
            *self = Self {
                version,
                ..Self::default()
            };
        }
        self.bytes += answer.content.len();
        self.answers.push_back((asked, answer));
        while self.bytes > MOST_BYTES
            && let Some((_, oldest)) = self.answers.pop_front()
        {
            self.bytes -= oldest.content.len();
        }
    }
}

/// Answers from what is kept, else asks and keeps the answer.
pub(super) async fn keep(State(app): State<App>, request: Request, next: Next) -> Response {
    if request.method() != Method::GET {
        return next.run(request).await;
    }
    let asked = canonical(request.uri());
    // A change while this is being answered only means that it is kept in vain.
    let version = app.catch_up().await;
    if let Some(answer) = version.and_then(|version| app.kept().get(version, &asked)) {
        return answer.into_response();
    }
    let response = next.run(request).await;
    if response.status() != StatusCode::OK {
        return response;
    }
    match tagged(response).await {
        Ok((response, content)) => {
            if let Some(version) = version {
                let headers = response.headers().clone();
                app.kept().put(version, asked, Answer { headers, content });
            }
            response
        }
        Err(problem) => problem.into_response(),
    }
}

/// What is asked, whatever the order of its parameters.
fn canonical(uri: &Uri) -> String {
    let mut parameters: Vec<&str> = uri.query().unwrap_or_default().split('&').collect();
    parameters.sort_unstable();
    format!("{}?{}", uri.path(), parameters.join("&"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(bytes: usize) -> Answer {
        Answer {
            headers: HeaderMap::new(),
            content: vec![0; bytes].into(),
        }
    }

    #[test]
    fn what_is_kept_is_bounded_and_the_newest_stays() {
        let mut kept = Kept::default();
        for question in 0..10 {
            kept.put(1, question.to_string(), answer(MOST_BYTES / 4));
        }
        assert!(kept.get(1, "5").is_none());
        assert!((6..10).all(|question: u32| kept.get(1, &question.to_string()).is_some()));
        assert_eq!(kept.bytes, MOST_BYTES);
        kept.put(1, "huge".to_owned(), answer(MOST_BYTES + 1));
        assert!(kept.answers.is_empty() && kept.bytes == 0);
    }

    #[test]
    fn nothing_outlives_the_version_that_it_is_of() {
        let mut kept = Kept::default();
        kept.put(1, "question".to_owned(), answer(8));
        assert!(kept.get(2, "question").is_none());
        kept.put(2, "another".to_owned(), answer(8));
        assert!(kept.get(1, "question").is_none() && kept.get(2, "question").is_none());
        assert_eq!(kept.bytes, 8);
    }

    #[test]
    fn the_order_of_parameters_is_of_no_meaning() {
        let of = |text: &str| canonical(&text.parse().unwrap());
        assert_eq!(
            of("/v1/drift?pack=tern&since=2026-01-10"),
            of("/v1/drift?since=2026-01-10&pack=tern")
        );
        assert_ne!(of("/v1/drift?pack=tern"), of("/v1/drift?pack=skua"));
        assert_ne!(of("/v1/drift"), of("/v1/compare"));
    }
}
