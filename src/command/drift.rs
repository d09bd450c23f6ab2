//! `packdrift drift`: the answer as a table a person can read, or as the API's document.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::Args;
use serde_json::Value;

use super::{
    Failure,
    ask::{Answerer, query},
    evidence::unreadable,
    figure::{day, number, with_uncertainty},
    local::local,
    sparkline,
    table::table,
    verbose,
};
use crate::page::evidence::Question;

/// What to ask.
#[derive(Args)]
pub struct Arguments {
    /// From when: a date in the bank's time zone, or RFC 3339. Left out: from the first reading.
    #[arg(long, value_name = "WHEN")]
    since: Option<String>,
    /// Until when. Left out: until the last reading.
    #[arg(long, value_name = "WHEN")]
    until: Option<String>,
    /// Which bank, where there are several.
    #[arg(long, value_name = "NAME")]
    bank: Option<String>,
    /// Only this pack.
    #[arg(long, value_name = "NAME")]
    pack: Option<String>,
    /// Also print what each ± is made of, and what calibration phases showed of each board.
    #[arg(long)]
    verbose: bool,
    /// Print the document of the API instead of a table.
    #[arg(long)]
    json: bool,
    /// File with the token of a daemon that wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let path = format!(
        "/v1/drift{}",
        query(&[
            ("since", arguments.since.as_deref()),
            ("until", arguments.until.as_deref()),
            ("bank", arguments.bank.as_deref()),
            ("pack", arguments.pack.as_deref()),
        ])
    );
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    if arguments.json {
        println!("{:#}", answerer.request(&Method::GET, &path, None)?);
        return Ok(());
    }
    let zone = answerer.zone(arguments.bank.as_deref());
    let asked = answerer.ask(&Method::GET, &path, None).and_then(|document| {
        let series = series_path(arguments, &document)?;
        let series = series
            .map(|path| answerer.ask(&Method::GET, &path, None))
            .transpose()?;
        let evidence = if arguments.verbose {
            let packs = document["packs"].as_array().into_iter().flatten();
            let names = packs.filter_map(|pack| pack["pack"].as_str());
            names
                .map(|name| answerer.ask(&Method::GET, &format!("/v1/packs/{name}/evidence"), None))
                .map(|told| told.map(|told| local(told, zone)))
                .collect::<Result<Vec<_>, _>>()?
        } else {
            Vec::new()
        };
        Ok((document, series.unwrap_or_default(), evidence))
    });
    answerer.close();
    let (document, series, evidence) = asked?;
    let document = local(document, zone);
    print!("{}", shown(&document));
    for line in sparkline::lines(&series) {
        println!("{line}");
    }
    if arguments.verbose {
        print!("{}{}", verbose::budgets(&document), verbose::evidence(&evidence));
    }
    Ok(())
}

/// What to ask for the same over time; nothing for one pack of several, of which there is no series by itself, and
/// nothing where nothing was heard.
fn series_path(arguments: &Arguments, document: &Value) -> Result<Option<String>, Failure> {
    if arguments.pack.is_some() {
        return Ok(None);
    }
    let question = Question {
        bank: arguments.bank.clone(),
        since: arguments.since.clone(),
        until: arguments.until.clone(),
    };
    let drift = serde_json::from_value(document.clone()).map_err(|error| unreadable(&error))?;
    Ok(question.series_path(&drift))
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let head = [
        "pack",
        "rev",
        "capacity\nAh",
        "charge error\nAh",
        "of capacity\n%",
        "rate\nAh/day",
        "rate\npoints/month",
        "display\n%",
        "actual\n%",
        "basis",
        "heard\n%",
    ];
    let none = Vec::new();
    let packs = document["packs"].as_array().unwrap_or(&none);
    let table = table(head, &[0, 1, 9], packs.iter().map(row));
    let mut text = format!("{}\n{table}\n", heading(document));
    for line in packs.iter().flat_map(remarks).chain(closures(document)) {
        text.push_str(&line);
        text.push('\n');
    }
    text.push_str(
        "± is the expanded uncertainty, k = 2; an error smaller than it is marked “~”: not significant.\n",
    );
    text.push_str("packdrift is a logger, not a protective device.\n");
    text
}

fn heading(document: &Value) -> String {
    let bank = document["bank"].as_str().unwrap_or("?");
    match (document["since"].as_str(), document["until"].as_str()) {
        (Some(since), Some(until)) => format!("bank {bank}, charge error from {since} to {until}"),
        _ => format!("bank {bank}: nothing heard yet"),
    }
}

fn row(pack: &Value) -> [String; 11] {
    let error = &pack["charge_error"];
    let rate = &pack["rate"];
    let display = &pack["display"];
    let sure = if error["significant"] == false { "~" } else { "" };
    let value = with_uncertainty(&error["ah"], &error["expanded_uncertainty_ah"], 1);
    let per_day = with_uncertainty(&rate["ah_per_day"], &rate["expanded_uncertainty_ah_per_day"], 2);
    let clipped = if display["censored"] == true { "*" } else { "" };
    let shown = display["soc_percent"]
        .as_f64()
        .map_or("–".to_owned(), |soc| format!("{clipped}{soc:.1}"));
    let heard = pack["coverage"]["fraction"]
        .as_f64()
        .map(|fraction| 100.0 * fraction);
    [
        pack["pack"].as_str().unwrap_or("?").to_owned(),
        pack["revision"].as_str().unwrap_or("?").to_owned(),
        number(&pack["capacity_ah"], |ah| format!("{ah:.0}")),
        format!("{sure}{value}"),
        number(&error["percent_of_capacity"], |percent| format!("{percent:+.1}")),
        per_day,
        number(&rate["points_per_month"], |points| format!("{points:+.1}")),
        shown,
        number(&display["actual_percent"], |percent| format!("{percent:.1}")),
        error["basis"].as_str().unwrap_or("?").to_owned(),
        heard.map_or("–".to_owned(), |percent| format!("{percent:.1}")),
    ]
}

/// What the table has no column for.
fn remarks(pack: &Value) -> Vec<String> {
    let name = pack["pack"].as_str().unwrap_or("?");
    let mut lines = Vec::new();
    if let Some(reason) = pack["charge_error"]["reason"].as_str() {
        lines.push(format!("{name}: no answer, {reason}"));
    }
    let epochs = pack["epochs"].as_array().filter(|epochs| epochs.len() > 1);
    for epoch in epochs.into_iter().flatten() {
        let rate = with_uncertainty(&epoch["ah_per_day"], &epoch["expanded_uncertainty_ah_per_day"], 2);
        let (begin, end) = (day(&epoch["begin"]), day(&epoch["end"]));
        lines.push(format!("{name}: epoch from {begin} to {end}, {rate} Ah/day"));
    }
    for reset in pack["unexplained_resets"].as_array().into_iter().flatten() {
        lines.push(format!(
            "{name}: display jumped {} → {} % at {}, which nothing counted explains",
            reset["before_percent"],
            reset["after_percent"],
            reset["at"].as_str().unwrap_or("?")
        ));
    }
    if let Some(off_s) = pack["coverage"]["off_busbar_s"]
        .as_f64()
        .filter(|off_s| *off_s > 0.0)
    {
        lines.push(format!("{name}: off the busbar for {:.1} h", off_s / 3600.0));
    }
    let own = &pack["own_counter"];
    if own["charge_error_ah"].is_number() {
        let error = with_uncertainty(&own["charge_error_ah"], &own["expanded_uncertainty_ah"], 1);
        lines.push(format!("{name}: its own counter is off by {error} Ah"));
    }
    let cautions: Vec<&Value> = pack["cautions"].as_array().into_iter().flatten().collect();
    for (place, caution) in cautions.iter().enumerate() {
        let of_kind = |other: &&&Value| other["kind"] == caution["kind"];
        // The last of a kind speaks for all of them.
        if cautions[place + 1..].iter().any(|other| of_kind(&other)) {
            continue;
        }
        let times = match cautions.iter().filter(of_kind).count() {
            1 => "once,".to_owned(),
            times => format!("{times} times, last"),
        };
        lines.push(format!(
            "{name}: {}; {times} on {}",
            caution["text"].as_str().unwrap_or("?"),
            day(&caution["begin"])
        ));
    }
    lines
}

/// What the reference counted from full charge to full charge, and what the table's marks mean.
fn closures(document: &Value) -> Vec<String> {
    let reference = &document["reference"];
    let name = reference["reference"].as_str().unwrap_or("?");
    let mut lines = Vec::new();
    for span in reference["closures"].as_array().into_iter().flatten() {
        let net = with_uncertainty(&span["closure_ah"], &span["expanded_uncertainty_ah"], 1);
        let (begin, end) = (day(&span["begin"]), day(&span["end"]));
        lines.push(format!(
            "{name}: full to full, {begin} to {end}, net {net} Ah (its own error and the losses behind it)"
        ));
        if span["beyond_data_sheet"] == true {
            lines.push(format!(
                "{name}: that is more than losses and its data sheet explain; look for what is wired past it"
            ));
        }
    }
    if let Some(percent) = reference["impossible_percent"].as_f64() {
        lines.push(format!(
            "{name}: by its count the packs would hold {percent:.1} % together, which can't be: its zero, the losses or the \
             capacities are not as the setup says"
        ));
    }
    if document["since"].is_string() && lines.is_empty() {
        lines.push(format!(
            "{name}: no two full charges in this time, between which its own error and the losses behind it would show"
        ));
    }
    let clipped = |pack: &Value| pack["display"]["censored"] == true;
    if document["packs"].as_array().into_iter().flatten().any(clipped) {
        lines.push("* the display is at its end stop, which hides error".to_owned());
    }
    lines
}
