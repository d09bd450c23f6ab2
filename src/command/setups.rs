//! `packdrift setups`: every setup file that was ever served with a store, and what each changed of the past.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::Args;
use serde_json::Value;

use super::{Failure, ask::Answerer};

/// What to list.
#[derive(Args)]
pub struct Arguments {
    /// Print the text of the one whose digest begins so.
    #[arg(long, value_name = "DIGEST")]
    show: Option<String>,
    /// File with the token of a daemon that wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Lists the setups, or prints one.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or no one setup has that digest.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let find = || Answerer::find(config, arguments.token_file.as_deref());
    let document = find()?.request(&Method::GET, "/v1/setups", None)?;
    let setups: Vec<&Value> = document["setups"].as_array().into_iter().flatten().collect();
    let Some(begins) = &arguments.show else {
        for setup in setups {
            print(setup);
        }
        return Ok(());
    };
    let digests: Vec<&str> = setups
        .iter()
        .filter_map(|setup| setup["digest"].as_str())
        .filter(|digest| digest.starts_with(begins.as_str()))
        .collect();
    let [digest] = digests[..] else {
        return Err(Failure::Words(format!(
            "{} setups have a digest that begins with “{begins}”; `packdrift setups` lists them",
            digests.len()
        )));
    };
    let setup = find()?.request(&Method::GET, &format!("/v1/setups/{digest}"), None)?;
    print!("{}", setup["text"].as_str().unwrap_or_default());
    Ok(())
}

fn print(setup: &Value) {
    let word = |of: &Value, field: &str| of[field].as_str().unwrap_or_default().to_owned();
    let digest = word(setup, "digest");
    let served = if setup["served"] == true {
        ", served now"
    } else {
        ""
    };
    println!(
        "{} first served {}{served}",
        digest.get(..12).unwrap_or(&digest),
        word(setup, "first_served")
    );
    for change in setup["changes_to_past"].as_array().into_iter().flatten() {
        let from = change["from"].as_str().unwrap_or("the beginning");
        println!(
            "  changed the past of {} from {from} on: {}",
            word(change, "bank"),
            word(change, "what")
        );
    }
}
