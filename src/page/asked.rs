//! Asks the API within the program and reads its answers.

use axum::{
    Router,
    http::{Method, StatusCode},
};
use serde_json::Value;

use super::{
    Page,
    answers::Series,
    evidence::{Evidence, Question},
    logger::Logger,
};
use crate::{
    api::{self, CallError},
    config::Bank,
};

/// What the API refused, and why, in its words.
#[derive(Debug, Clone)]
pub(super) struct Refused {
    /// With which status.
    pub status: StatusCode,
    /// What kind of refusal.
    pub title: String,
    /// What to do.
    pub detail: String,
}

impl Refused {
    pub(super) fn internal() -> Self {
        Self {
            status: StatusCode::INTERNAL_SERVER_ERROR,
            title: "Something went wrong here".to_owned(),
            detail: "the log of the daemon says more".to_owned(),
        }
    }

    fn unanswered(error: &CallError) -> Self {
        let error = error as &dyn std::error::Error;
        tracing::error!(error, "the page got no answer of the API");
        Self::internal()
    }

    pub(super) fn unreadable(error: &serde_json::Error) -> Self {
        let error = error as &dyn std::error::Error;
        tracing::error!(error, "the page can't read an answer of the API");
        Self::internal()
    }
}

/// Sends one request to the API; a refusal comes back as such.
pub(super) async fn ask(
    questions: &Router,
    method: Method,
    path: &str,
    body: Option<&Value>,
) -> Result<Value, Refused> {
    let (status, document) = call(questions, method, path, body).await?;
    if status.is_success() {
        return Ok(document);
    }
    let word = |field: &str| document[field].as_str().unwrap_or_default().to_owned();
    Err(Refused {
        status,
        title: word("title"),
        detail: word("detail"),
    })
}

async fn call(
    questions: &Router,
    method: Method,
    path: &str,
    body: Option<&Value>,
) -> Result<(StatusCode, Value), Refused> {
    let answer = api::call(questions, &method, path, body).await;
    answer.map_err(|error| Refused::unanswered(&error))
}

impl Page {
    /// The bank of that name; the first, where none is named.
    pub(super) fn bank(&self, id: Option<&str>) -> Result<&Bank, Refused> {
        let setup = self.app.setup();
        let bank = match id {
            Some(id) => setup.bank(id),
            None => setup.banks.first(),
        };
        bank.ok_or_else(|| Refused {
            status: StatusCode::NOT_FOUND,
            title: "No such bank".to_owned(),
            detail: format!("there is: {}", setup.bank_names().join(", ")),
        })
    }

    /// The answers to a question; where there are several banks and none is named, of the first.
    pub(super) async fn evidence(&self, question: Question) -> Result<(Question, Evidence), Refused> {
        let banks = &self.app.setup().banks;
        let bank = self.bank(question.bank.as_deref())?;
        let question = Question {
            bank: question
                .bank
                .or_else(|| (banks.len() > 1).then(|| bank.id.clone())),
            ..question
        };
        let mut documents: [Value; 6] = Default::default();
        for (document, path) in documents.iter_mut().zip(question.paths()) {
            *document = ask(&self.questions, Method::GET, &path, None).await?;
        }
        let evidence =
            Evidence::read(documents, bank.time_zone).map_err(|error| Refused::unreadable(&error))?;
        Ok((question, evidence))
    }

    /// The same answers with the packs' counts together against the reference's.
    pub(super) async fn with_balance(
        &self,
        question: &Question,
        evidence: Evidence,
    ) -> Result<Evidence, Refused> {
        let document = ask(&self.questions, Method::GET, &question.balance_path(), None).await?;
        evidence
            .with_balance(document)
            .map_err(|error| Refused::unreadable(&error))
    }

    /// The drift over time; `None` where nothing was heard.
    pub(super) async fn series(
        &self,
        question: &Question,
        evidence: &Evidence,
    ) -> Result<Option<Series>, Refused> {
        let Some(path) = question.series_path(&evidence.drift) else {
            return Ok(None);
        };
        let document = ask(&self.questions, Method::GET, &path, None).await?;
        serde_json::from_value(document)
            .map(Some)
            .map_err(|error| Refused::unreadable(&error))
    }

    /// The state of the logger: health answers even where it is bad.
    pub(super) async fn logger(&self) -> Result<Logger, Refused> {
        let (_, health) = call(&self.questions, Method::GET, "/v1/health", None).await?;
        let quarantine = ask(&self.questions, Method::GET, "/v1/quarantine?limit=0", None).await?;
        Logger::read(health, quarantine).map_err(|error| Refused::unreadable(&error))
    }
}
