//! Makes the backups that the setup file asks for.

use std::{path::Path, sync::Arc, time::Duration};

use chrono::Utc;
use tokio::sync::watch;

use crate::{
    api::Backups,
    config::{BackupPlan, Setup},
    store::backup::{CopyError, backup_in, newest_in},
};

/// How often the clock is looked at: it may be set, and a machine may sleep.
const LOOK: Duration = Duration::from_secs(60);
/// The longest wait after a failure: each try may copy the whole store before it fails.
const LONGEST_WAIT: Duration = Duration::from_secs(3600);

/// Backs up whenever the newest backup is older than the plan allows. A failure is told once and tried again.
pub(super) async fn run(setup: Arc<Setup>, plan: BackupPlan, state: watch::Sender<Backups>) {
    loop {
        let (store, due) = (setup.store.path.clone(), plan.clone());
        let outcome = tokio::task::spawn_blocking(move || when_due(&store, &due)).await;
        let well = matches!(outcome, Ok(Ok(_)));
        match outcome {
            Ok(Ok(last_ms)) => {
                state.send_replace(Backups {
                    last_ms,
                    failing: None,
                });
            }
            Ok(Err(error)) => {
                let trouble = error.trouble();
                let news = state.borrow().failing != Some(trouble);
                state.send_modify(|state| state.failing = Some(trouble));
                if news {
                    let error = &error as &dyn std::error::Error;
                    tracing::error!(
                        error,
                        "no backup could be made; it is tried again: {}",
                        trouble.mend()
                    );
                }
            }
            Err(panicked) => {
                tracing::error!(
                    error = &panicked as &dyn std::error::Error,
                    "a backup ended badly"
                );
            }
        }
        tokio::time::sleep(wait(plan.every, well)).await;
    }
}

/// How long until the next look.
fn wait(every: Duration, well: bool) -> Duration {
    every.min(if well { LOOK } else { LONGEST_WAIT })
}

/// Makes a backup where one is due; gives when the newest one was made, ms since 1970.
fn when_due(store: &Path, plan: &BackupPlan) -> Result<Option<i64>, CopyError> {
    let now = Utc::now();
    let newest = newest_in(&plan.folder);
    // One from the future tells nothing: the clock was wrong then, or is now.
    let fresh = newest.is_some_and(|newest| {
        let age = (now - newest).to_std();
        age.is_ok_and(|age| age < plan.every)
    });
    if !fresh {
        let copied = backup_in(store, &plan.folder, plan.keep)?;
        let path = copied.path.display().to_string();
        tracing::info!(path, readings = copied.readings.readings, "backed up");
    }
    Ok(newest_in(&plan.folder).map(|newest| newest.timestamp_millis()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_is_not_tried_again_each_minute() {
        let (day, minute) = (Duration::from_secs(86_400), Duration::from_secs(60));
        assert_eq!(wait(day, true), minute);
        assert_eq!(wait(day, false), 60 * minute);
        assert_eq!(wait(10 * minute, false), 10 * minute);
        assert_eq!(wait(Duration::from_secs(1), true), Duration::from_secs(1));
    }
}
