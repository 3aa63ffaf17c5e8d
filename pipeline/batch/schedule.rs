//! Who is next, how many at a time, and until when.

use jiff::{ToSpan, Zoned, civil::Time};

/// Memory to set aside for one worker when their number is chosen, bytes.
const WORKER_MEMORY: u64 = 1 << 30;

/// Workers for this machine: one a core, as free memory allows.
pub fn usual_workers() -> usize {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let memory = std::fs::read_to_string("/proc/meminfo")
        .ok()
        .and_then(|t| t.lines().find(|l| l.starts_with("MemAvailable"))?.split_whitespace().nth(1)?.parse::<u64>().ok())
        .map_or(usize::MAX, |kb| (kb * 1024 / WORKER_MEMORY) as usize);
    cores.min(memory).max(1)
}

/// Order of work: every student's largest clip first, then every student's second, so that one who sent fifty keeps nobody
/// waiting; within a round the largest first, so that no long clip is left for the end. `what` tells owner, bytes and name.
pub fn fair_order<T>(mut tasks: Vec<T>, what: impl Fn(&T) -> (&str, u64, &str)) -> Vec<T> {
    tasks.sort_by(|a, b| {
        let (a, b) = (what(a), what(b));
        b.1.cmp(&a.1).then(a.2.cmp(b.2))
    });
    let mut taken: std::collections::BTreeMap<String, usize> = std::collections::BTreeMap::new();
    let mut rounds: Vec<(usize, T)> = tasks
        .into_iter()
        .map(|t| {
            let count = taken.entry(what(&t).0.to_string()).or_default();
            *count += 1;
            (*count, t)
        })
        .collect();
    rounds.sort_by_key(|(round, _)| *round);
    rounds.into_iter().map(|(_, t)| t).collect()
}

/// The next time that the clock shows `time`, within a day from `now`.
pub fn deadline(now: &Zoned, time: Time) -> Result<Zoned, jiff::Error> {
    let today = now.with().time(time).build()?;
    if today > *now { Ok(today) } else { now.checked_add(1.day())?.with().time(time).build() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_who_sent_many_does_not_keep_others_waiting() {
        let tasks = vec![("a", 9, "a1"), ("a", 8, "a2"), ("a", 7, "a3"), ("b", 1, "b1"), ("c", 5, "c1"), ("c", 5, "c0")];
        let order: Vec<&str> = fair_order(tasks, |t| (t.0, t.1, t.2)).into_iter().map(|t| t.2).collect();
        assert_eq!(order, ["a1", "c0", "b1", "a2", "c1", "a3"]);
    }

    #[test]
    fn the_deadline_is_the_next_one_also_over_midnight_and_a_change_of_clocks() {
        let at = |text: &str| text.parse::<Zoned>().unwrap();
        let six = jiff::civil::time(6, 0, 0, 0);
        assert_eq!(deadline(&at("2026-11-25T22:00:00[UTC]"), six).unwrap(), at("2026-11-26T06:00:00[UTC]"));
        assert_eq!(deadline(&at("2026-11-25T05:59:00[UTC]"), six).unwrap(), at("2026-11-25T06:00:00[UTC]"));
        assert_eq!(deadline(&at("2026-11-25T06:00:00[UTC]"), six).unwrap(), at("2026-11-26T06:00:00[UTC]"));
        // the night of 25 October 2026 is an hour longer in Berlin (EU summer time ends on the last Sunday of October)
        let (evening, morning) = (at("2026-10-24T23:00:00[Europe/Berlin]"), at("2026-10-25T06:00:00[Europe/Berlin]"));
        assert_eq!(deadline(&evening, six).unwrap(), morning);
        assert_eq!(evening.timestamp().until(morning.timestamp()).unwrap().get_seconds(), 8 * 3600);
    }
}
