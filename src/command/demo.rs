//! `packdrift demo`: a simulated winter through the whole program, then the answer beside the truth.

use std::{
    fs,
    net::{Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    sync::Arc,
    time::Instant,
};

use chrono::DateTime;
use chrono_tz::Tz;
use clap::Args;
use serde_json::{Value, json};

use super::{Failure, LogFormat, ask, drift, local::local, log, rebuild::bar, serve, table::table};
use crate::{
    api::Zulu,
    config::{self, Broker, Setup},
    daemon::Daemon,
    demo::{self, Kind, Plan, Winter},
};

/// The demo's setup file.
const SETUP: &str = include_str!("../../demo-data/skerry.toml");

/// Which winter, and what to do with it.
#[derive(Args)]
pub struct Arguments {
    /// Stop once the answer is printed, instead of going on to serve it.
    #[arg(long)]
    exit: bool,
    /// Days of winter.
    #[arg(long, default_value_t = 70, value_parser = clap::value_parser!(u32).range(3..=400))]
    days: u32,
    /// Everything random in it.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// usual (full about days 0, 23, 51, 68), sparse (full only at both ends), cutoff (a pack is away for two days)
    /// or rough (cells, zeros and draws unlike what the setup says).
    #[arg(long, value_name = "KIND", default_value_t = Kind::Usual)]
    winter: Kind,
    /// Leave setup.toml and the database in this folder, for `packdrift serve --config DIR/setup.toml`.
    #[arg(long, value_name = "DIR")]
    keep: Option<PathBuf>,
    /// Where to answer questions afterwards.
    #[arg(long, value_name = "ADDR:PORT")]
    listen: Option<SocketAddr>,
}

/// Simulates, publishes, asks, and prints.
///
/// # Errors
/// Where the folder can't be used or anything on the way fails.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    log::to_stderr("warn", LogFormat::Text);
    let folder = Folder::make(arguments.keep.as_deref())?;
    let setup = setup(&folder, arguments)?;
    let runtime = tokio::runtime::Runtime::new().map_err(Failure::system("no threads to work with"))?;
    runtime.block_on(async {
        let mut stop = serve::Stop::listen()?;
        println!(
            "Simulating {} days of a {} winter (seed {}).",
            arguments.days, arguments.winter, arguments.seed
        );
        let plan = Plan {
            days: arguments.days,
            ..Plan::new(arguments.winter, arguments.seed)
        };
        let winter = Arc::new(demo::simulate(&plan));
        let zone = setup.banks[0].time_zone;
        let daemon = Daemon::start(Arc::new(setup)).await?;
        let shown = tokio::select! {
            shown = answer(&daemon, winter, zone) => shown,
            () = stop.told() => Err(Failure::Words("stopped before the winter was over".to_owned())),
        };
        if shown.is_ok() && !arguments.exit {
            println!(
                "\nThe page is at http://{}/, answers are under /v1; stop with Ctrl-C.",
                daemon.api()
            );
            stop.told().await;
        }
        daemon.stop().await;
        shown
    })?;
    if let Some(kept) = &arguments.keep {
        println!(
            "Kept in {0}; go on with: packdrift serve --config {0}/setup.toml",
            kept.display()
        );
    }
    Ok(())
}

/// Publishes the winter through the daemon's own broker and prints the answer beside the truth.
async fn answer(daemon: &Daemon, winter: Arc<Winter>, zone: Tz) -> Result<(), Failure> {
    let begun = Instant::now();
    let count = winter.readings().len();
    let broker = daemon
        .broker()
        .ok_or_else(|| Failure::Words("the demo has no broker".to_owned()))?;
    println!("Publishing {count} readings over MQTT to packdrift's own broker at {broker}.");
    let bar = bar("readings");
    bar.set_length(count as u64);
    let ticking = bar.clone();
    demo::publish(winter.clone(), broker, move || ticking.inc(1)).await?;
    bar.finish_and_clear();
    println!(
        "All {count} acknowledged, each after its commit, in {:.0} s.\n",
        begun.elapsed().as_secs_f64()
    );
    daemon.caught_up().await;

    let api = daemon.api().to_string();
    let shown = tokio::task::spawn_blocking(move || ask_and_print(&api, &winter, zone)).await;
    shown.map_err(|_| Failure::Words("the answer could not be shown".to_owned()))?
}

fn ask_and_print(api: &str, winter: &Winter, zone: Tz) -> Result<(), Failure> {
    if let Some((at_ms, pack)) = winter.recalibrated {
        let note = json!({
            "at": Zulu(at_ms),
            "pack": winter.packs[pack].name,
            "kind": "recalibration",
            "text": "zero set anew with nothing flowing",
        });
        ask::post(api, "/v1/notes", &note)?;
    }
    let anchors = ask::get(api, "/v1/anchors")?;
    let mark = |place: usize| anchors["anchors"][place]["end"].as_str().map(str::to_owned);
    let count = anchors["anchors"].as_array().map_or(0, Vec::len);
    let (Some(first), Some(last)) = (mark(0), mark(count.saturating_sub(1))) else {
        return Err(Failure::Words(
            "this winter has no full charge; ask for more days".to_owned(),
        ));
    };
    let open = ask::get(api, &format!("/v1/drift?since={first}"))?;
    print!("{}", drift::shown(&local(open.clone(), zone)));
    println!("\nBeside the truth, which the simulation knows and the answer never saw:");
    let mut rows = Vec::new();
    if count > 1 {
        let closed = ask::get(api, &format!("/v1/drift?since={first}&until={last}"))?;
        rows.extend(beside_truth("last full charge", &closed, winter));
    }
    rows.extend(beside_truth("last reading", &open, winter));
    let head = [
        "from full charge to",
        "pack",
        "answer\nAh",
        "±\nAh",
        "truth\nAh",
        "off by\nAh",
        "of capacity\n%",
        "± holds truth",
    ];
    println!("{}", table(head, &[0, 1, 7], rows));
    Ok(())
}

/// One row a pack: the answer of a document and the truth.
fn beside_truth(until: &str, document: &Value, winter: &Winter) -> Vec<[String; 8]> {
    let instant = |field: &str| {
        let text = document[field].as_str()?;
        Some(DateTime::parse_from_rfc3339(text).ok()?.timestamp_millis())
    };
    let row = |place: usize| {
        let (since_ms, until_ms) = (instant("since")?, instant("until")?);
        let pack = &winter.packs[place];
        let error = &document["packs"][place]["charge_error"];
        let (ah, uncertainty_ah) = (error["ah"].as_f64()?, error["expanded_uncertainty_ah"].as_f64()?);
        let truth_ah = winter.true_charge_error_ah(place, since_ms, until_ms);
        let off_ah = ah - truth_ah;
        Some([
            until.to_owned(),
            pack.name.to_owned(),
            format!("{ah:+.1}"),
            format!("{uncertainty_ah:.1}"),
            format!("{truth_ah:+.1}"),
            format!("{off_ah:+.1}"),
            format!("{:+.2}", 100.0 * off_ah / pack.rated_ah),
            if off_ah.abs() <= uncertainty_ah {
                "yes"
            } else {
                "no"
            }
            .to_owned(),
        ])
    };
    (0..winter.packs.len()).filter_map(row).collect()
}

/// The demo's setup in its folder, on free ports so that it disturbs nobody.
fn setup(folder: &Folder, arguments: &Arguments) -> Result<Setup, Failure> {
    let path = folder.path.join("setup.toml");
    let text = match arguments.winter {
        // Nobody has measured there what the boards draw.
        Kind::Rough => SETUP
            .lines()
            .filter(|line| !line.starts_with("standing_draw"))
            .fold(String::new(), |text, line| text + line + "\n"),
        _ => SETUP.to_owned(),
    };
    fs::write(&path, text).map_err(Failure::system(format!("{} can't be written", path.display())))?;
    let mut setup = config::load(&path)?;
    if setup.store.path.exists() {
        return Err(Failure::Words(format!(
            "{} holds a winter already; name another folder",
            folder.path.display()
        )));
    }
    setup.broker = Broker::Own((Ipv4Addr::LOCALHOST, 0).into());
    match arguments.listen {
        Some(listen) => serve::listen_on(&mut setup, listen)?,
        None if arguments.exit => setup.api.listen = (Ipv4Addr::LOCALHOST, 0).into(),
        None => {}
    }
    Ok(setup)
}

/// Where the demo keeps its files: a folder that is named, or one that is gone afterwards.
struct Folder {
    path: PathBuf,
    temporary: bool,
}

impl Folder {
    fn make(keep: Option<&Path>) -> Result<Self, Failure> {
        let temporary = keep.is_none();
        let path = keep.map_or_else(
            || std::env::temp_dir().join(format!("packdrift-demo-{}", std::process::id())),
            Path::to_owned,
        );
        fs::create_dir_all(&path).map_err(Failure::system(format!("{} can't be made", path.display())))?;
        Ok(Self { path, temporary })
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if self.temporary
            && let Err(error) = fs::remove_dir_all(&self.path)
        {
            eprintln!("{} is left behind: {error}", self.path.display());
        }
    }
}
