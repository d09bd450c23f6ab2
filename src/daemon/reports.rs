//! Writes the reports that the setup file asks for, so that a web server can show them without reaching the daemon.

use std::{
    fs, io,
    path::{Path, PathBuf},
    time::Duration,
};

use axum::{
    Router,
    http::{Method, StatusCode},
};
use serde_json::Value;

use crate::{
    api::{self, App, CallError},
    config::{Bank, ReportPlan},
    exchange::export::ExportError,
    page::evidence::{Evidence, Question},
    report::{self, BadRename, Names, Report},
    store,
};

/// How often the clock is looked at.
const LOOK: Duration = Duration::from_secs(60);

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
enum Unwritten {
    #[error("the answer can't be had")]
    Unasked(#[from] CallError),
    #[error("the question was refused with {0}")]
    Refused(StatusCode),
    #[error("the answer can't be read")]
    Unreadable(#[from] serde_json::Error),
    #[error("the names can't be replaced")]
    Names(#[from] BadRename),
    #[error("the store can't be opened")]
    Open(#[from] store::OpenError),
    #[error(transparent)]
    Readings(#[from] ExportError),
    #[error("{} can't be written", path.display())]
    File { path: PathBuf, source: io::Error },
    #[error("it ended badly")]
    Panicked(#[from] tokio::task::JoinError),
}

/// Writes a report of each bank whenever the last one is older than the plan allows. A failure is told once and
/// tried again.
pub(super) async fn run(app: App, plan: ReportPlan) {
    let questions = api::questions(app.clone());
    let mut look = tokio::time::interval(LOOK.min(plan.every));
    look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut told = false;
    loop {
        look.tick().await;
        for place in 0..app.setup().banks.len() {
            let to = plan.folder.join(name(place));
            if is_fresh(&to, plan.every) {
                continue;
            }
            match write(&app, &questions, place, plan.anonymous, &to).await {
                Ok(()) => told = false,
                Err(error) if !told => {
                    told = true;
                    let error = &error as &dyn std::error::Error;
                    tracing::error!(error, "no report could be written; it is tried again");
                }
                Err(_known) => {}
            }
        }
    }
}

/// The same name every time, so that it can be linked to; it says nothing of the bank.
fn name(place: usize) -> String {
    match place {
        0 => "report.html".to_owned(),
        _ => format!("report-{}.html", place + 1),
    }
}

/// Whether the file is younger than that. One from the future tells nothing: the clock was wrong then, or is now.
fn is_fresh(path: &Path, than: Duration) -> bool {
    let written = fs::metadata(path).and_then(|file| file.modified());
    written.is_ok_and(|written| written.elapsed().is_ok_and(|age| age < than))
}

/// Asks, and puts the report in the place of the last one in one go. Where nothing was heard yet there is none.
async fn write(
    app: &App,
    questions: &Router,
    place: usize,
    anonymous: bool,
    to: &Path,
) -> Result<(), Unwritten> {
    let bank = &app.setup().banks[place];
    let names = names(app, bank, anonymous)?;
    let question = Question {
        bank: Some(bank.id.clone()),
        ..Question::default()
    };
    let mut documents: [Value; 6] = Default::default();
    for (document, path) in documents.iter_mut().zip(question.paths()) {
        *document = ask(questions, &path).await?;
    }
    let drift = serde_json::from_value(documents[0].clone())?;
    let mut series = match question.series_path(&drift) {
        Some(path) => Some(ask(questions, &path).await?),
        None => None,
    };
    for document in documents.iter_mut().chain(&mut series) {
        names.in_document(document);
    }
    let balance = ask(questions, &question.balance_path()).await?;
    let evidence = Evidence::read(documents, bank.time_zone)?.with_balance(balance)?;
    let series = series.map(serde_json::from_value).transpose()?;
    let (app, to) = (app.clone(), to.to_owned());
    let drawing = tokio::task::spawn_blocking(move || {
        let setup = app.setup();
        let connection = store::read_only(&setup.store.path)?;
        let answers = (&evidence, series.as_ref());
        match Report::new(&connection, answers, setup, &setup.banks[place], &names)? {
            Some(report) => put(&to, &report::html(&report)),
            None => Ok(()),
        }
    });
    drawing.await?
}

/// Naming one by another name hides all names.
fn names(app: &App, bank: &Bank, anonymous: bool) -> Result<Names, BadRename> {
    let setup = app.setup();
    let reference = &setup.entry(bank.reference.instrument).id;
    let pairs = if anonymous {
        vec![format!("{reference}=reference")]
    } else {
        Vec::new()
    };
    Names::read(&pairs, setup, bank)
}

async fn ask(questions: &Router, path: &str) -> Result<Value, Unwritten> {
    let (status, document) = api::call(questions, &Method::GET, path, None).await?;
    if status.is_success() {
        Ok(document)
    } else {
        Err(Unwritten::Refused(status))
    }
}

fn put(to: &Path, html: &str) -> Result<(), Unwritten> {
    let part = to.with_extension("part");
    let failed = |source| Unwritten::File {
        path: to.to_owned(),
        source,
    };
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder).map_err(failed)?;
    }
    fs::write(&part, html).map_err(failed)?;
    fs::rename(&part, to).map_err(failed)?;
    tracing::info!(path = %to.display(), "wrote a report");
    Ok(())
}
