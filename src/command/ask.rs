//! Asks the API: the daemon's, where one has the store, else one made for the moment on the same file.
//!
//! Either way it is the same question and the same answer.

use std::{path::Path, sync::Arc, time::Duration};

use axum::{Router, http::Method};
use chrono::Utc;
use chrono_tz::Tz;
use serde_json::Value;

use super::Failure;
pub(super) use crate::api::query_string as query;
use crate::{
    api::{self, App, Health},
    config::{self, Setup},
    daemon, ledger,
    secret::Secret,
    store::{self, Lock, OpenError, Writer, WriterThread},
};

/// Whoever answers about a setup.
pub(super) struct Answerer {
    setup: Arc<Setup>,
    who: Who,
}

enum Who {
    /// A daemon at this address, and the token it wants.
    Running { address: String, token: Option<Secret> },
    /// This program.
    Here {
        runtime: tokio::runtime::Runtime,
        router: Router,
        thread: WriterThread,
        _lock: Lock,
    },
}

impl Answerer {
    /// Finds out who has the store of a setup.
    pub(super) fn find(config: &Path, token_file: Option<&Path>) -> Result<Self, Failure> {
        let setup = Arc::new(config::load(config)?);
        match setup.store.path.try_exists() {
            Ok(true) => {}
            Ok(false) => {
                return Err(Failure::NoStore {
                    path: setup.store.path.display().to_string(),
                });
            }
            // A service's folder is often its own; its daemon answers everybody on this machine all the same.
            Err(_) => return Self::running(setup.clone(), setup.api.listen.to_string(), token_file),
        }
        match Lock::take(&setup.store.path) {
            Ok(lock) => Self::here(setup, lock),
            Err(OpenError::InUse {
                address: Some(address),
                ..
            }) => Self::running(setup, address, token_file),
            Err(error) => Err(error.into()),
        }
    }

    fn running(setup: Arc<Setup>, address: String, token_file: Option<&Path>) -> Result<Self, Failure> {
        let token = token_file.map(Secret::in_file).transpose()?;
        Ok(Self {
            setup,
            who: Who::Running { address, token },
        })
    }

    fn here(setup: Arc<Setup>, lock: Lock) -> Result<Self, Failure> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .map_err(Failure::system("no threads to work with"))?;
        let mut connection = store::read_write(&setup.store.path)?;
        let now_ms = Utc::now().timestamp_millis();
        store::setup_version::keep(&connection, &setup, now_ms)?;
        // However long it takes: an answer that stops halfway through what was imported would look like a whole one.
        ledger::refresh(&mut connection, &setup)?;
        let (writer, thread) = Writer::start(connection, daemon::writer_options(&setup))?;
        let health = Health {
            intake: None,
            clocks: None,
            backups: None,
            started_ms: now_ms,
        };
        let router = api::app(App::new(setup.clone(), writer, None, health));
        Ok(Self {
            setup,
            who: Who::Here {
                runtime,
                router,
                thread,
                _lock: lock,
            },
        })
    }

    /// Where the clocks of a bank stand; where none is named, of the first.
    pub(super) fn zone(&self, bank: Option<&str>) -> Tz {
        let named = bank.and_then(|id| self.setup.bank(id));
        named.unwrap_or(&self.setup.banks[0]).time_zone
    }

    /// Sends the only request and gives back the answer's document.
    pub(super) fn request(self, method: &Method, path: &str, body: Option<&Value>) -> Result<Value, Failure> {
        let answer = self.ask(method, path, body);
        self.close();
        answer
    }

    /// Sends one of several requests and gives back the answer's document.
    pub(super) fn ask(&self, method: &Method, path: &str, body: Option<&Value>) -> Result<Value, Failure> {
        let (status, document) = self.answer(method, path, body)?;
        accepted(status, document)
    }

    /// The same with its status, also where the question is refused.
    pub(super) fn answer(
        &self,
        method: &Method,
        path: &str,
        body: Option<&Value>,
    ) -> Result<(u16, Value), Failure> {
        match &self.who {
            Who::Running { address, token } => over_http(address, token.as_ref(), method, path, body),
            Who::Here { runtime, router, .. } => {
                let answer = runtime.block_on(api::call(router, method, path, body));
                let (status, document) = answer
                    .map_err(|error| Failure::Words(format!("the question can't be asked: {error}")))?;
                Ok((status.as_u16(), document))
            }
        }
    }

    /// Lets go of the store once everything is written.
    pub(super) fn close(self) {
        if let Who::Here {
            runtime,
            router,
            thread,
            _lock,
        } = self.who
        {
            // The writer ends with the last who may write through it.
            drop(router);
            drop(runtime);
            thread.join();
        }
    }
}

/// What an address of the API has; where that is the newest page of notes, with those of all pages before it.
pub(super) fn whole(path: &str, get: impl Fn(&str) -> Result<Value, Failure>) -> Result<Value, Failure> {
    let before = |page: &Value| page["next_before"].as_str().map(str::to_owned);
    let mut newest = get(path)?;
    let Some(mut place) = before(&newest) else {
        return Ok(newest);
    };
    let joint = if path.contains('?') { '&' } else { '?' };
    let mut pages = vec![newest["notes"].take()];
    loop {
        let mut page = get(&format!("{path}{joint}before={place}"))?;
        let next = before(&page);
        pages.push(page["notes"].take());
        match next {
            Some(next) => place = next,
            None => break,
        }
    }
    let notes = pages.into_iter().rev().filter_map(|page| match page {
        Value::Array(notes) => Some(notes),
        _ => None,
    });
    newest["notes"] = notes.flatten().collect();
    Ok(newest)
}

/// Asks the API at an address.
pub(super) fn get(address: &str, path: &str) -> Result<Value, Failure> {
    let (status, document) = over_http(address, None, &Method::GET, path, None)?;
    accepted(status, document)
}

/// Sends to the API at an address.
pub(super) fn post(address: &str, path: &str, body: &Value) -> Result<Value, Failure> {
    let (status, document) = over_http(address, None, &Method::POST, path, Some(body))?;
    accepted(status, document)
}

pub(super) fn accepted(status: u16, document: Value) -> Result<Value, Failure> {
    if (200..300).contains(&status) {
        return Ok(document);
    }
    let word = |field: &str| document[field].as_str().unwrap_or("no reason given").to_owned();
    Err(Failure::Refused {
        title: word("title"),
        detail: word("detail"),
    })
}

fn over_http(
    address: &str,
    token: Option<&Secret>,
    method: &Method,
    path: &str,
    body: Option<&Value>,
) -> Result<(u16, Value), Failure> {
    let unreachable = |source| Failure::Unreachable {
        address: address.to_owned(),
        source: Box::new(source),
    };
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_global(Some(Duration::from_secs(60)))
        .build()
        .into();
    let mut request = ureq::http::Request::builder()
        .method(method)
        .uri(format!("http://{address}{path}"));
    if let Some(token) = token {
        request = request.header("authorization", format!("Bearer {}", token.expose()));
    }
    let words = |error: ureq::http::Error| Failure::Words(format!("the question can't be sent: {error}"));
    let mut response = match body {
        Some(body) => {
            let request = request
                .header("content-type", "application/json")
                .body(body.to_string());
            agent.run(request.map_err(words)?)
        }
        None => agent.run(request.body(()).map_err(words)?),
    }
    .map_err(unreachable)?;
    let status = response.status().as_u16();
    let document = response.body_mut().read_json().map_err(unreachable)?;
    Ok((status, document))
}
