//! `packdrift check --live`: listens to the broker for a while, stores nothing, and tells what a newcomer got.

use std::{fmt::Write, time::Duration};

use chrono::Utc;
use indicatif::{ProgressBar, ProgressStyle};

use super::{Failure, serve::Stop, table::table};
use crate::{
    config::{Broker, Mqtt, Setup},
    intake::{
        mqtt::{Overheard, listen},
        open,
        survey::{Speaker, Survey},
    },
    unit::thousandths,
};

/// Listens for a while, or until told to stop, and gives what was found.
///
/// # Errors
/// Where the broker can't be reached or opened.
pub fn look(setup: &Setup, listen_for: Duration) -> Result<String, Failure> {
    let runtime = tokio::runtime::Runtime::new().map_err(Failure::system("no threads to work with"))?;
    let mut survey = Survey::new(setup);
    runtime.block_on(async {
        match &setup.broker {
            Broker::Theirs(mqtt) => overhear(mqtt, &mut survey, listen_for).await,
            Broker::Own(address) => {
                let (address, running) = open::open(*address).await.map_err(|error| {
                    Failure::Words(format!(
                        "no broker can be opened on {address}: {error}; is packdrift running?"
                    ))
                })?;
                let mqtt = Mqtt {
                    host: address.ip().to_string(),
                    port: address.port(),
                    tls: false,
                    client_id: "packdrift".to_owned(),
                    username: None,
                    password_file: None,
                    ca_file: None,
                    client_certificate: None,
                };
                tokio::select! {
                    heard = overhear(&mqtt, &mut survey, listen_for) => heard,
                    () = running => Err(Failure::Words("the broker ended".to_owned())),
                }
            }
        }
    })?;
    Ok(told(setup, &survey))
}

async fn overhear(mqtt: &Mqtt, survey: &mut Survey<'_>, listen_for: Duration) -> Result<(), Failure> {
    let style = ProgressStyle::with_template("listening, {eta} left, Ctrl-C stops early: {msg}");
    let bar = ProgressBar::new(listen_for.as_secs().max(1));
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    let began = std::time::Instant::now();
    let heard = |overheard: Overheard| {
        survey.see(
            &overheard.topic,
            &overheard.body,
            Utc::now().timestamp_millis(),
            overheard.retained,
        );
        bar.set_position(began.elapsed().as_secs());
        bar.set_message(format!(
            "{} messages on {} topics",
            survey.messages(),
            survey.topics().len()
        ));
    };
    let mut stop = Stop::listen()?;
    let enough = async {
        tokio::select! {
            () = tokio::time::sleep(listen_for) => {}
            () = stop.told() => {}
        }
    };
    listen(mqtt, heard, enough).await?;
    bar.finish_and_clear();
    Ok(())
}

/// A survey as a person reads it.
#[must_use]
pub fn told(setup: &Setup, survey: &Survey<'_>) -> String {
    let mut text = String::new();
    // Writing to a String does not fail.
    let _ = write_told(setup, survey, &mut text);
    text
}

fn write_told(setup: &Setup, survey: &Survey<'_>, text: &mut String) -> std::fmt::Result {
    writeln!(
        text,
        "Heard {} messages on {} topics; nothing was stored.\n",
        survey.messages(),
        survey.topics().len()
    )?;
    let topics = survey.topics().iter().map(|(name, topic)| {
        let taken_by = topic
            .taken_by
            .as_ref()
            .map_or("nobody".to_owned(), |pattern| format!("“{pattern}”"));
        [
            name.clone(),
            taken_by,
            topic.messages.to_string(),
            topic.refused.to_string(),
        ]
    });
    writeln!(
        text,
        "{}\n",
        table(
            ["topic", "taken by source", "messages", "refused"],
            &[0, 1],
            topics
        )
    )?;
    let head = [
        "instrument",
        "reports",
        "every\ns",
        "how",
        "step\nA",
        "clock off\ns",
        "current\nA",
        "runs",
    ];
    let speakers = survey.speakers().into_iter().map(row);
    writeln!(text, "{}\n", table(head, &[0, 1, 3, 7], speakers))?;
    for (place, bank) in setup.banks.iter().enumerate() {
        let capacity_ah = bank.capacity_ah(i64::MAX);
        let full_v = thousandths(bank.full.voltage_mv);
        writeln!(
            text,
            "Bank “{}”: {capacity_ah:.0} Ah, {:.1} kWh; full at {full_v} V with {:.1} A or less.",
            bank.id,
            capacity_ah * bank.chemistry.nominal_v() * f64::from(bank.cells_in_series) / 1000.0,
            bank.full.tail_fraction * capacity_ah
        )?;
        if let Some((packs_a, reference_a)) = survey.balance_a(place) {
            writeln!(
                text,
                "  Packs together {packs_a:+.1} A, reference {reference_a:+.1} A: {:+.1} A apart.",
                packs_a - reference_a
            )?;
        }
        for pack in &bank.packs {
            let share = 100.0 * pack.held_at(i64::MAX).best_capacity_ah() / capacity_ah;
            writeln!(
                text,
                "  “{}” carries {share:.1} % of the charge.",
                setup.entry(pack.instrument).id
            )?;
        }
    }
    let findings = survey.findings();
    if findings.is_empty() {
        return writeln!(text, "\nNothing to mend was found.");
    }
    writeln!(text, "\nTo mend:")?;
    for (index, finding) in findings.iter().enumerate() {
        writeln!(text, "  {}. {finding}", index + 1)?;
    }
    Ok(())
}

fn row(speaker: Speaker) -> [String; 8] {
    let number = |value: Option<f64>, digits: usize| {
        value.map_or("–".to_owned(), |value| format!("{value:.digits$}"))
    };
    [
        speaker.instrument,
        speaker.channels.join(", "),
        number(speaker.every_s, 1),
        match speaker.on_change {
            Some(true) => "on change",
            Some(false) => "regularly",
            None => "too little heard",
        }
        .to_owned(),
        number(speaker.step_a, 2),
        number(speaker.clock_off_s, 1),
        number(speaker.current_a, 1),
        match speaker.reversed {
            Some(true) => "against the bank",
            Some(false) => "with the bank",
            None => "–",
        }
        .to_owned(),
    ]
}
