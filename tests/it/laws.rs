//! Laws that hold of any log: what is only told otherwise is answered alike.

use std::path::Path;

use packdrift::{
    config::{self, Setup},
    demo::{Kind, Plan, Winter, simulate},
    reading::{Channel, Channels},
};
use serde_json::Value;

use crate::{asking::Api, past};

fn winter() -> Winter {
    simulate(&Plan {
        days: 26,
        ..Plan::new(Kind::Usual, 8)
    })
}

fn parsed(text: &str) -> Setup {
    config::parse("setup.toml", text, Path::new("")).unwrap()
}

/// The packs of an answer, by name.
fn packs(api: &Api) -> Vec<Value> {
    let mut packs = api.get("/v1/drift")["packs"].as_array().unwrap().clone();
    packs.sort_by_key(|pack| pack["pack"].as_str().unwrap().to_owned());
    packs
}

#[test]
fn packs_may_be_listed_in_any_order() {
    let winter = winter();
    let setup = past::setup();
    let expect = packs(&Api::on(setup.clone(), winter.readings()));

    let parts: Vec<&str> = setup.text.split("[[bank.pack]]").collect();
    let (last, source) = parts[5].split_at(parts[5].find("[[source]]").unwrap());
    let blocks = [parts[3], last, parts[1], parts[4], parts[2]];
    let text = blocks
        .iter()
        .fold(parts[0].to_owned(), |text, block| text + "[[bank.pack]]" + block)
        + source;
    let other = parsed(&text);
    let names: Vec<&str> = setup.instruments.iter().map(|entry| entry.id.as_str()).collect();
    let readings = winter.readings().map(|(at_ms, of, channels)| {
        let of = other.instrument(names[usize::from(of)]).unwrap();
        (at_ms, of.0, channels)
    });
    assert_eq!(packs(&Api::on(other.clone(), readings)), expect);
}

/// Every number of an answer, with what it is called.
fn figures(value: &Value, name: &str, told: &mut Vec<(String, f64)>) {
    match value {
        Value::Number(number) => told.push((name.to_owned(), number.as_f64().unwrap())),
        Value::Array(values) => values.iter().for_each(|value| figures(value, name, told)),
        Value::Object(fields) => fields
            .iter()
            .for_each(|(field, value)| figures(value, field, told)),
        _ => {}
    }
}

fn all_figures(packs: &[Value]) -> Vec<(String, f64)> {
    let mut told = Vec::new();
    for pack in packs {
        figures(pack, "", &mut told);
    }
    told
}

#[test]
fn twice_the_current_in_twice_the_packs_is_twice_the_charge() {
    let winter = winter();
    let setup = past::setup();
    let once = packs(&Api::on(setup.clone(), winter.readings()));
    let text = setup.text.lines().map(|line| match line.split_once(" = ") {
        Some((key, value)) if key.ends_with("_ah") || key.ends_with("_ma") => {
            format!("{key} = {}\n", 2.0 * value.parse::<f64>().unwrap())
        }
        _ => format!("{line}\n"),
    });
    let doubled = |mut channels: Channels| {
        let current = channels.get(Channel::Current).map(|ma| 2 * ma);
        channels.set(Channel::Current, current);
        channels
    };
    let readings = winter
        .readings()
        .map(|(at_ms, of, channels)| (at_ms, of, doubled(channels)));
    let twice = packs(&Api::on(parsed(&text.collect::<String>()), readings));
    let (once, twice) = (all_figures(&once), all_figures(&twice));
    assert_eq!(once.len(), twice.len());
    assert!(once.len() > 100);
    for ((name, one), (_, other)) in once.iter().zip(&twice) {
        let is_charge = name.split('_').any(|part| part == "ah");
        let expect = if is_charge { 2.0 * one } else { *one };
        // What is rounded to is up to 0.001.
        assert!((other - expect).abs() <= 0.0021, "{name}: {one}, then {other}");
    }
}

#[test]
fn when_a_log_was_written_is_the_same_to_it() {
    let winter = winter();
    let told = |shift_ms: i64| {
        let readings = winter
            .readings()
            .map(|(at_ms, of, channels)| (at_ms + shift_ms, of, channels));
        packs(&Api::on(past::setup(), readings))
    };
    let expect = told(0);
    // Hours, days and the points at which losses are reckoned lie elsewhere in it then.
    for shift_ms in [4_033_210, 30 * 86_400_000] {
        for (pack, before) in told(shift_ms).iter().zip(&expect) {
            let (error, expect) = (&pack["charge_error"], &before["charge_error"]);
            let of = |error: &Value, field: &str| error[field].as_f64().unwrap();
            let uncertainty_ah = of(expect, "expanded_uncertainty_ah");
            assert!(
                (of(error, "ah") - of(expect, "ah")).abs() < 0.02 * uncertainty_ah,
                "{error} after {expect}"
            );
            // How far a pack strays is told by some fifty steps, which tell it to a tenth.
            assert!(
                (of(error, "expanded_uncertainty_ah") - uncertainty_ah).abs() < 0.1 * uncertainty_ah,
                "{error} after {expect}"
            );
        }
    }
}
