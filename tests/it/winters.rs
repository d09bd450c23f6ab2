//! How near the truth are the answers of simulated winters, and does the stated uncertainty hold it?

use packdrift::demo::{Kind, Plan, simulate};

use crate::past;

const DAY_MS: i64 = 86_400_000;

/// One answer beside the truth, in % of capacity.
struct Compared {
    error: f64,
    expanded: f64,
}

/// Answers at closures, and between, of one winter.
fn compared(kind: Kind, seed: u64) -> (Vec<Compared>, Vec<Compared>) {
    let setup = past::setup();
    let winter = simulate(&Plan::new(kind, seed));
    let store = past::filled(&setup, &winter);
    let marks: Vec<i64> = packdrift::store::anchor::of_bank(&store, "skerry")
        .unwrap()
        .iter()
        .map(|anchor| anchor.end_ms)
        .collect();
    println!(
        "{kind} {seed}: planned {:?}, marks on days {:?}",
        winter.full_days,
        marks
            .iter()
            .map(|mark| (mark - 1_761_955_200_000) / DAY_MS)
            .collect::<Vec<_>>()
    );
    let mut instants = marks.clone();
    let begin_ms = marks[0];
    for day in 1..68 {
        instants.push(begin_ms + day * DAY_MS + (day * 7919 % 24) * 3_600_000);
    }
    let (facts, at) = past::facts(&store, &setup, &instants);
    past::ask(&facts, |record| {
        for (p, pack) in winter.packs.iter().enumerate() {
            println!(
                "  {} true soc at marks {:?}",
                pack.name,
                marks
                    .iter()
                    .map(|mark| format!("{:.2}", winter.true_soc_percent(p, *mark)))
                    .collect::<Vec<_>>()
            );
        }
        let socs: Vec<f64> = (0..1600)
            .map(|h| winter.true_soc_percent(0, begin_ms + h * 3_600_000))
            .collect();
        println!(
            "  soc min {:.0} max {:.0}",
            socs.iter().copied().fold(f64::MAX, f64::min),
            socs[100..].iter().copied().fold(f64::MIN, f64::max)
        );
        let mut closures = Vec::new();
        let mut between = Vec::new();
        for (p, pack) in winter.packs.iter().enumerate() {
            for (index, cut) in at.iter().enumerate().skip(1) {
                let Ok(answer) = record.charge_error(p, at[0], *cut) else {
                    panic!("insufficient")
                };
                let until_ms = facts.cuts[*cut].at_ms;
                let truth = winter.true_charge_error_ah(p, begin_ms, until_ms);
                let compared = Compared {
                    error: 100.0 * (answer.error.value_ah - truth) / pack.rated_ah,
                    expanded: 100.0 * answer.error.expanded_uncertainty_ah() / pack.rated_ah,
                };
                if index == marks.len() - 1 {
                    println!(
                        "  {}: {:.1} Ah, truth {truth:.1}, U {:.2}; {:?}",
                        pack.name,
                        answer.error.value_ah,
                        answer.error.expanded_uncertainty_ah(),
                        answer
                            .error
                            .budget()
                            .iter()
                            .map(|(source, ah)| format!("{} {ah:.2}", source.word()))
                            .collect::<Vec<_>>()
                    );
                }
                if index < marks.len() {
                    closures.push(compared)
                } else {
                    between.push(compared)
                }
            }
        }
        (closures, between)
    })
}

fn summary(what: &str, compared: &[Compared]) {
    let mut errors: Vec<f64> = compared.iter().map(|one| one.error.abs()).collect();
    errors.sort_by(f64::total_cmp);
    let inside = compared
        .iter()
        .filter(|one| one.error.abs() <= one.expanded)
        .count();
    let p = |part: f64| errors[(part * (errors.len() - 1) as f64) as usize];
    let mut widths: Vec<f64> = compared.iter().map(|one| one.expanded).collect();
    widths.sort_by(f64::total_cmp);
    println!(
        "{what}: n {} median {:.2} p95 {:.2} max {:.2} % of capacity; inside {:.1} %, half-width median {:.2}",
        errors.len(),
        p(0.5),
        p(0.95),
        p(1.0),
        100.0 * inside as f64 / errors.len() as f64,
        widths[widths.len() / 2]
    );
}

#[test]
fn look() {
    for kind in [Kind::Usual, Kind::Sparse] {
        let (mut closures, mut between) = (Vec::new(), Vec::new());
        for seed in 1..=6 {
            let (at, off) = compared(kind, seed);
            closures.extend(at);
            between.extend(off);
        }
        summary(&format!("{kind} closures"), &closures);
        summary(&format!("{kind} between"), &between);
    }
}
