//! From clips marked by hand to the program's error on the coach's own footage: what they say, drawn toward what the rendered worlds
//! say, by as much as so few clips can be believed.
//!
//! The bias: normal with a known variance under a normal prior about 0, whose standard deviation is that of the worlds' own biases
//! (Gelman et al., Bayesian Data Analysis, 3rd ed., 2.5; from memory). The spread: a variance under a prior that counts like so many
//! clips (Smyth 2004, doi 10.2202/1544-6115.1027, his moderated variance: (d0·s0² + d·s²) / (d0 + d); from memory).

use super::table::{Line, Table};
use crate::error::{Error, Result};
use crate::measure::budget::{Budget, Entry};
use crate::place::{self, ours};
use crate::report::printable;
use crate::report::types::From;
use crate::settings::Own;
use crate::settings::own::{Adopted, FEWEST, METRICS};
use std::collections::BTreeMap;
use std::path::Path;

/// Clips by which the built-in spread counts (a choice, no source).
const PRIOR_CLIPS: f64 = 10.0;
/// Three or four worlds that agree are no proof that another kind of footage does: of the built-in error at least this share may be
/// bias there (a choice, no source).
const LEAST_BIAS_SHARE: f64 = 0.25;

/// What is held of a metric's error before any clip is marked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Standard deviation of the bias about 0.
    pub bias_sd: f64,
    /// Standard deviation of the errors about the bias.
    pub sd: f64,
}

impl Prior {
    /// The built-in error, parted in two: together they are what the budget says.
    pub fn of(built_in: &Entry) -> Prior {
        let bias_sd = built_in.between.max(LEAST_BIAS_SHARE * built_in.sd).min(built_in.sd);
        Prior { bias_sd, sd: (built_in.sd.powi(2) - bias_sd.powi(2)).sqrt() }
    }
}

/// What is held of it afterwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// The bias, to be taken off.
    pub shift: f64,
    /// Standard deviation of a new clip's error once it is: the spread, and the doubt that is left of the bias.
    pub sd: f64,
}

/// Combines differences of program less hand with a prior. `hand_variance`: of the hand's own values, which is no error of the program.
pub fn combine(differences: &[f64], hand_variance: f64, prior: Prior) -> Combined {
    let n = differences.len() as f64;
    let mean = differences.iter().sum::<f64>() / n;
    let free = n - 1.0;
    let seen = (differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / free - hand_variance).max(0.0);
    let spread = (PRIOR_CLIPS * prior.sd.powi(2) + free * seen) / (PRIOR_CLIPS + free);
    let by_clips = n / (spread + hand_variance);
    let precision = by_clips + 1.0 / prior.bias_sd.powi(2);
    Combined { shift: by_clips * mean / precision, sd: (spread + 1.0 / precision).sqrt() }
}

/// The source from which most clips were read, and those.
fn of_one_source(line: &Line) -> Option<(From, Vec<usize>)> {
    let mut sources: BTreeMap<&'static str, (From, Vec<usize>)> = BTreeMap::new();
    for (i, pair) in line.pairs.iter().enumerate() {
        let name = match pair.from {
            From::KeyPoint => "key points",
            From::Outline => "outline",
            From::Both => "both",
        };
        sources.entry(name).or_insert((pair.from, Vec::new())).1.push(i);
    }
    sources.into_values().max_by_key(|(_, clips)| clips.len())
}

/// What a line's clips say, to be adopted. Error: usage, why nothing can be.
pub fn adoptable(line: &Line, now: jiff::Timestamp) -> Result<Adopted> {
    let few = |n: usize| Error::Usage(format!("{}: {n} clips are marked of {FEWEST} that are needed to tell anything", line.words));
    let (from, clips) = of_one_source(line).ok_or_else(|| few(0))?;
    let pairs: Vec<_> = clips.into_iter().map(|i| &line.pairs[i]).collect();
    let differences: Vec<f64> = pairs.iter().filter_map(|p| p.difference()).collect();
    if pairs.len() < FEWEST || differences.len() < pairs.len() {
        return Err(few(pairs.len()));
    }
    let budget = Budget::in_force();
    let hand_variance = pairs.iter().map(|p| p.mark_error.powi(2)).sum::<f64>() / pairs.len() as f64;
    let Combined { shift, sd } = combine(&differences, hand_variance, Prior::of(&budget.of(line.metric, from)));
    let round = |x: f64| crate::judge::round(x, 4);
    Ok(Adopted {
        from,
        shift: round(shift),
        sd: round(sd),
        n: pairs.len(),
        adopted_at: now.to_string(),
        budget: budget.version.clone(),
        clips: pairs.iter().map(|p| p.clip.clone()).collect(),
    })
}

/// Adopts what the table says of these metrics, all or none. Error: usage.
pub fn adopt(table: &Table, own: &mut Own, metrics: &[String], now: jiff::Timestamp) -> Result<()> {
    let mut new = BTreeMap::new();
    for metric in metrics {
        known(metric)?;
        let line = table.lines.iter().find(|l| l.metric == metric);
        let line = line.ok_or_else(|| Error::Internal(format!("the table lacks {metric}")))?;
        new.insert(metric.clone(), adoptable(line, now)?);
    }
    own.metric.extend(new);
    Ok(())
}

/// Takes these back, or all where none is named; how many. Error: usage, a name that was not adopted.
pub fn drop(own: &mut Own, metrics: &[String]) -> Result<usize> {
    let before = own.metric.len();
    if metrics.is_empty() {
        own.metric.clear();
    }
    for metric in metrics {
        known(metric)?;
        if own.metric.remove(metric).is_none() {
            return Err(Error::Usage(format!("{metric} was not adopted")));
        }
    }
    Ok(before - own.metric.len())
}

/// Sets aside a file that cannot be read, so that nothing is judged by it and nothing of it is lost; whether there was one.
pub fn set_aside(out: &Path) -> Result<bool> {
    if Own::read(out).is_ok() {
        return Ok(false);
    }
    place::put(&Own::path(out), &out.join(ours::RULER_ASIDE))?;
    Ok(true)
}

fn known(metric: &str) -> Result<()> {
    if METRICS.contains(&metric) {
        return Ok(());
    }
    let why = if metric == "trail_hip_travel_cm" {
        "it is measured at the joint, which cannot be marked: what it differs by from the hip's edge is no error of the program"
    } else {
        "nothing of that name is measured by hand"
    };
    Err(Error::Usage(format!("{}: {why}. It can be one of {}", printable(metric), METRICS.join(", "))))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand. Prior: bias 0 ± 2, spread 3 (variance 9), ten clips' weight. Eleven clips: five at −1, five at 7, one at 3: mean 3,
    /// sum of squares 160, variance 16; the hand's own is 4, which leaves 12. Spread: (10·9 + 10·12) / 20 = 10.5. A difference varies by
    /// 14.5: 11 clips weigh 0.758621, the prior 0.25. Bias 0.758621·3 / 1.008621 = 2.256410; what is left of its doubt 0.991453.
    #[test]
    fn a_worked_example_comes_out() {
        let clips = [-1.0, -1.0, -1.0, -1.0, -1.0, 7.0, 7.0, 7.0, 7.0, 7.0, 3.0];
        let all = combine(&clips, 4.0, Prior { bias_sd: 2.0, sd: 3.0 });
        assert!((all.shift - 2.256_410).abs() < 1e-6 && (all.sd - 11.491_453_f64.sqrt()).abs() < 1e-6, "{all:?}");
    }

    /// A prior is the built-in error in two parts, however the worlds agree.
    #[test]
    fn the_prior_is_the_built_in_error() {
        for name in METRICS {
            for from in [From::KeyPoint, From::Outline] {
                let e = Budget::in_force().of(name, from);
                let p = Prior::of(&e);
                assert!((p.bias_sd.hypot(p.sd) - e.sd).abs() < 1e-9 && p.bias_sd >= 0.25 * e.sd - 1e-9 && p.bias_sd >= e.between, "{name}");
                assert!(p.sd > 0.0, "{name}");
            }
        }
        assert!(METRICS.iter().any(|m| Budget::in_force().of(m, From::KeyPoint).between > 0.0), "the budget says it");
    }
}
