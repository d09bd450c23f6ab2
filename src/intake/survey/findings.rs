//! What to mend, each finding with how.

use super::{Speaker, Survey, suggestion::suggested_source};
use crate::{
    config::Reporting,
    intake::clocks::OFF_MS,
    reading::{Channel, Instrument},
    unit::thousandths,
};

impl Survey<'_> {
    /// What is wrong or worth a change, each with its mend.
    #[must_use]
    pub fn findings(&self) -> Vec<String> {
        let mut findings = Vec::new();
        for (name, topic) in &self.topics {
            if topic.taken_by.is_none() {
                let suggestion = suggested_source(name, &topic.example, self.setup);
                findings.push(format!(
                    "nothing takes the topic “{name}”; if it is one of yours, add:\n{suggestion}"
                ));
            } else if let Some(refusal) = &topic.last_refusal {
                findings.push(format!(
                    "{} of {} messages of “{name}” are refused, the last one as {refusal}",
                    topic.refused, topic.messages
                ));
            }
        }
        for (speaker, instrument) in self.speakers().into_iter().zip(self.setup.all_instruments()) {
            findings.extend(self.about(&speaker, instrument));
        }
        for bank in &self.setup.banks {
            let speaks = |instrument: Instrument, channel| self.heard.contains_key(&(instrument.0, channel));
            let packs = || bank.packs.iter().map(|pack| pack.instrument);
            let voltage = bank.full.voltage_from.map_or_else(
                || {
                    speaks(bank.reference.instrument, Channel::Voltage)
                        || packs().any(|pack| speaks(pack, Channel::Voltage))
                },
                |from| speaks(from, Channel::Voltage),
            );
            if !voltage {
                findings.push(format!(
                    "bank “{}”: nobody reports the voltage that a full charge is known by; give the reference or the \
                     packs a `voltage` channel",
                    bank.id
                ));
            }
        }
        findings
    }

    fn about(&self, speaker: &Speaker, instrument: Instrument) -> Vec<String> {
        let name = &speaker.instrument;
        let mut findings = Vec::new();
        if speaker.channels.is_empty() {
            findings.push(format!("“{name}” said nothing that is taken"));
            return findings;
        }
        if !speaker.channels.contains(&"current") {
            findings.push(format!(
                "“{name}” reports no `current`: without it nothing can be counted"
            ));
        }
        if speaker.reversed == Some(true) {
            findings.push(format!(
                "the current of “{name}” runs against the bank's; where its board reports charging as negative, give \
                 it a source with charging = \"negative\""
            ));
        }
        if speaker.displays_fraction {
            findings.push(format!(
                "“{name}” displays 1 % at most; where its board means a fraction, give `soc` in its source a scale: \
                 soc = {{ at = \"/…\", scale = 100 }}"
            ));
        }
        match speaker.clock_off_s {
            None => findings.push(format!(
                "“{name}” sends no time; what a broker stores for it can't be dated. Let it send one and name it: time = \"/…\""
            )),
            Some(off_s) if off_s.abs() > thousandths(OFF_MS) => findings.push(format!(
                "the clock of “{name}” is {} {}; set it, or what it reports is dated wrongly",
                hours_and_minutes(off_s.abs()),
                if off_s > 0.0 { "ahead" } else { "behind" }
            )),
            Some(_) => {}
        }
        let set = self.setup.entry(instrument).reporting;
        let as_set = matches!(set, Reporting::OnChange { .. });
        if let (Reporting::Regular { longest_bridge }, Some(every_s)) = (set, speaker.every_s)
            && speaker.on_change != Some(true)
            && every_s > longest_bridge.as_secs_f64()
        {
            findings.push(format!(
                "“{name}” reports every {}, and pauses of more than {} are gaps: nothing of it is counted. Let it report \
                 more often, or set longest_bridge under [[bank]], which may be 1h",
                hours_and_minutes(every_s),
                hours_and_minutes(longest_bridge.as_secs_f64())
            ));
        }
        match speaker.on_change {
            Some(true) if !as_set => findings.push(format!(
                "“{name}” reports when its current changes; say so in its source: reports = \"on_change\""
            )),
            Some(false) if as_set => findings.push(format!(
                "“{name}” reports regularly; its source says reports = \"on_change\", leave that out"
            )),
            _ => {}
        }
        findings
    }
}

fn hours_and_minutes(seconds: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a span of time in minutes"
    )]
    let minutes = (seconds / 60.0).round() as u64;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}
