//! The web page: one calm paper a bank, and the plots, served from the binary alone.
//!
//! Every figure comes out of the same questions that `/v1` answers, asked within the program, so that the page can
//! say nothing else than the API. HTML, style and plots are made here. The page is whole without its script, which
//! only keeps it live.

pub mod answers;
mod asked;
pub(crate) mod beside;
pub(crate) mod cautions;
pub(crate) mod comparison;
pub mod evidence;
pub(crate) mod happened;
mod logger;
mod note_form;
mod now;
pub(crate) mod paper;
mod picture;
pub mod plots;
pub(crate) mod sentences;
mod session;
pub(crate) mod table;
pub mod words;

use std::sync::Arc;

use axum::{
    Router,
    extract::{Query, State, rejection::QueryRejection},
    http::{HeaderMap, HeaderValue, StatusCode, header},
    middleware,
    response::{IntoResponse, Response},
    routing::{get, post},
};

use crate::api::{self, App};
use asked::Refused;
use evidence::Question;
use session::{Sessions, Visitor};

/// What the handlers of the page share.
#[derive(Clone)]
struct Page {
    app: App,
    /// The API without its guard: who asks has been looked at here.
    questions: Router,
    sessions: Arc<Sessions>,
}

/// The page, the plots and everything under `/v1`, ready to be served.
pub fn site(app: App) -> Router {
    let page = Page {
        app: app.clone(),
        questions: api::questions(app.clone()),
        sessions: Arc::default(),
    };
    let for_visitors = Router::new()
        .route("/", get(show))
        .route("/now", get(now::events))
        .route("/notes", post(note_form::send))
        .route("/v1/plots/{name}", get(picture::plot))
        .layer(middleware::from_fn_with_state(page.clone(), session::admit));
    let for_anybody = Router::new()
        .route("/sign-in", get(session::form).post(session::sign_in))
        .route("/page.js", get(script));
    for_visitors
        .merge(for_anybody)
        .with_state(page)
        .merge(api::app(app))
}

async fn script() -> impl IntoResponse {
    let kind = HeaderValue::from_static("text/javascript; charset=utf-8");
    ([(header::CONTENT_TYPE, kind)], include_str!("page.js"))
}

async fn show(
    State(page): State<Page>,
    visitor: Visitor,
    headers: HeaderMap,
    question: Result<Query<Question>, QueryRejection>,
) -> Response {
    let question = match question {
        Ok(Query(question)) => question.without_blanks(),
        Err(rejection) => {
            let refused = Refused {
                status: StatusCode::BAD_REQUEST,
                title: "The question can’t be read".to_owned(),
                detail: rejection.body_text(),
            };
            return paper::refusal(&refused).into_response();
        }
    };
    let secret = session::form_secret(&headers);
    match page.paper(question, visitor, &secret, None).await {
        Ok(paper) => (session::keep_form_secret(&headers, &secret), paper).into_response(),
        Err(refused) => paper::refusal(&refused).into_response(),
    }
}

impl Page {
    /// The paper that answers a question; with a note that could not be taken, where somebody just tried.
    async fn paper(
        &self,
        question: Question,
        visitor: Visitor,
        secret: &str,
        failed: Option<&note_form::Failed>,
    ) -> Result<paper::Document, Refused> {
        let (question, evidence) = self.evidence(question).await?;
        let now = self.now(self.bank(question.bank.as_deref())?).await?;
        let form = visitor
            .may_write
            .then_some(note_form::NoteForm { secret, failed });
        Ok(paper::whole(&paper::Paper {
            question: &question,
            evidence: &evidence,
            now: &now,
            banks: &self.app.setup().bank_names(),
            form,
        }))
    }
}

#[cfg(test)]
mod tests;
