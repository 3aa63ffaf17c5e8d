//! What the marked clips of an out folder say of the program, by metric.

use super::agree::{Agreement, With, agreement, repeatability, within_sd};
use super::decide::reported;
use super::marks::{Marks, main};
use super::values::{ByHand, MARK_SD_PX, METRICS};
use crate::error::{Error, Result};
use crate::history::marked::{Kind, Marked};
use crate::history::statistics::wilson;
use crate::history::store::Stored;
use crate::history::verdicts::by_program;
use crate::judge::{Identity, faults_with};
use crate::measure::budget::Budget;
use crate::measure::{Quantities, Reading, names};
use crate::report::types::{self, FaultName, From, Verdict};
use crate::report::{Report, printable};
use crate::settings::own::Adopted;
use crate::settings::{Own, Settings};
use serde::Serialize;
use std::collections::BTreeMap;

pub use crate::settings::own::FEWEST;

/// A coach's own repeats say how far a mark errs from so many points on (each counts across and down).
const FEWEST_REPEATED: usize = 10;

/// One clip: what was measured by hand and by the program.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    pub owner: String,
    pub clip: String,
    pub by_hand: f64,
    pub by_hand_low: f64,
    pub by_hand_high: f64,
    /// The hand's own error, of its marks alone: scale and camera are the program's too.
    pub mark_error: f64,
    /// When it was marked, RFC 3339.
    pub marked_at: String,
    /// By the program as it comes, whatever was adopted. Kept back while the clips are too few to tell.
    pub program: Option<With>,
    /// By the program with what was adopted.
    pub adopted: Option<With>,
    /// What the program read it from.
    pub from: From,
}

impl Pair {
    /// Program less hand.
    pub fn difference(&self) -> Option<f64> {
        Some(self.program?.value - self.by_hand)
    }

    fn inside(&self, p: With) -> bool {
        (p.low..=p.high).contains(&self.by_hand)
    }
}

/// Whether what was adopted helped, on clips that it does not rest on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Helped {
    /// Fewer than [`FEWEST`] clips were marked since.
    TooFew,
    Yes,
    No,
    /// The clips allow either.
    CannotTell,
}

/// The clips that were first marked after the adoption, and are judged by it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Later {
    pub n: usize,
    /// Mean size of the difference between program and hand, as it comes and with what was adopted; 0 for no clip.
    pub without: f64,
    pub with: f64,
    /// By how much the second is larger.
    pub change: Option<With>,
    /// Values by hand inside the program's intervals.
    pub inside_without: usize,
    pub inside_with: usize,
    pub helped: Helped,
}

/// What was adopted of a metric.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InUse {
    pub shift: f64,
    pub sd: f64,
    pub n: usize,
    pub adopted_at: String,
    /// It was adopted beside another error budget than today's: nothing is judged by it.
    pub outdated: bool,
    pub later: Later,
}

/// A share with Wilson's 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    pub hits: usize,
    pub of: usize,
    pub low: f64,
    pub high: f64,
}

/// How far the coach's own second measurement lies from the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Repeats {
    pub n: usize,
    pub within_sd: f64,
    /// Two of them differ by no more in nineteen of twenty.
    pub repeatability: f64,
}

/// One metric.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    pub metric: &'static str,
    pub words: &'static str,
    pub unit: &'static str,
    pub n: usize,
    /// Program less hand; `None` under [`FEWEST`] clips: too few to tell.
    pub agreement: Option<Agreement>,
    /// How many of the hand's values lie inside the program's intervals.
    pub inside: Option<Share>,
    pub repeats: Option<Repeats>,
    pub adopted: Option<InUse>,
    pub pairs: Vec<Pair>,
}

/// A verdict that would have been another with what was measured by hand.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    pub owner: String,
    pub clip: String,
    pub file: String,
    pub fault: FaultName,
    pub program: Verdict,
    pub by_hand: Verdict,
}

/// All of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Table {
    pub clips: usize,
    pub enough: bool,
    /// Standard deviation of a mark, pixels, and whether the coach's own repeats say so.
    pub mark_sd_px: f64,
    pub mark_sd_by_repeats: bool,
    pub lines: Vec<Line>,
    /// Verdicts that were compared: sway and chicken wing of each clip whose marks tell them.
    pub verdicts: usize,
    pub changed: Vec<Changed>,
}

/// What one clip's rows say.
struct Clip<'a> {
    report: &'a Report,
    identity: Identity,
    owner: &'a str,
    hand: BTreeMap<String, ByHand>,
    /// Of the first blind repeat.
    again: Option<(Marks, BTreeMap<String, ByHand>)>,
    marks: Marks,
    marked_at: String,
}

fn read<T: serde::de::DeserializeOwned>(text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|e| Error::Internal(format!("stored marks are broken: {e}")))
}

/// Of each clip the marks that count: the first, and the first blind repeat. `marked`: oldest first.
fn clips<'a>(results: &'a [(Stored, String)], marked: &[Marked]) -> Result<Vec<Clip<'a>>> {
    let mut all = Vec::new();
    for (stored, identity) in results {
        let of = |kind: Kind| marked.iter().find(|m| m.kind == kind && m.owner == stored.owner && m.clip == stored.report.clip.id);
        let Some(first) = of(Kind::Marked) else { continue };
        let again = of(Kind::Again).map(|m| Ok::<_, Error>((read(&m.marks)?, read(&m.by_hand)?))).transpose()?;
        all.push(Clip {
            report: &stored.report,
            owner: &stored.owner,
            identity: read(identity)?,
            marks: read(&first.marks)?,
            marked_at: first.made_at.clone(),
            hand: read(&first.by_hand)?,
            again,
        });
    }
    Ok(all)
}

/// A mark's standard deviation by the coach's own repeats, where those are enough.
fn mark_sd(clips: &[Clip]) -> Option<f64> {
    let mut apart = Vec::new();
    for clip in clips {
        let Some((again, _)) = &clip.again else { continue };
        for (place, m) in again {
            // another of the offered pictures shows another place
            if let Some(first) = clip.marks.get(place).filter(|f| (f.time - m.time).abs() < 1e-3) {
                apart.extend([m.x - first.x, m.y - first.y]);
            }
        }
    }
    within_sd(&apart).filter(|_| apart.len() >= 2 * FEWEST_REPEATED)
}

/// The table of these results and marks (oldest first), by these settings and what was adopted. Errors: what is stored cannot be read.
pub fn table(results: &[(Stored, String)], marked: &[Marked], settings: &Settings) -> Result<Table> {
    let clips = clips(results, marked)?;
    let by_repeats = mark_sd(&clips);
    let mark_sd_px = by_repeats.unwrap_or(MARK_SD_PX);
    let lines = METRICS.iter().filter_map(|m| line(m, &clips, mark_sd_px, &settings.own)).collect();
    let (mut verdicts, mut changed) = (0, Vec::new());
    for clip in &clips {
        for (fault, program, by_hand) in verdicts_by_hand(clip, mark_sd_px, settings) {
            verdicts += 1;
            if program != by_hand {
                let (owner, c) = (clip.owner.to_string(), &clip.report.clip);
                changed.push(Changed { owner, clip: c.id.clone(), file: c.file.clone(), fault, program, by_hand });
            }
        }
    }
    let enough = clips.len() >= FEWEST;
    if !enough {
        changed.clear();
    }
    Ok(Table { clips: clips.len(), enough, mark_sd_px, mark_sd_by_repeats: by_repeats.is_some(), lines, verdicts, changed })
}

fn line(metric: &'static str, clips: &[Clip], mark_sd_px: f64, own: &Own) -> Option<Line> {
    let name = names::find(metric)?;
    let pair = |c: &Clip| {
        let (hand, program) = (c.hand.get(metric)?, main(c.report)?.metrics.get(metric)?.measured()?);
        let (by_hand_low, by_hand_high) = hand.interval(mark_sd_px);
        let now = With { value: program.value, low: program.low, high: program.high };
        Some(Pair {
            owner: c.owner.to_string(),
            clip: c.report.clip.id.clone(),
            by_hand: hand.value,
            by_hand_low,
            by_hand_high,
            mark_error: hand.per_mark_px * mark_sd_px,
            marked_at: c.marked_at.clone(),
            program: Some(program.built_in.as_ref().map_or(now, |b| With { value: b.value, low: b.low, high: b.high })),
            adopted: program.built_in.as_ref().map(|_| now),
            from: program.from,
        })
    };
    let mut pairs: Vec<Pair> = clips.iter().filter_map(pair).collect();
    let repeated: Vec<f64> =
        clips.iter().filter_map(|c| Some(c.again.as_ref()?.1.get(metric)?.value - c.hand.get(metric)?.value)).collect();
    let repeats = within_sd(&repeated).zip(repeatability(&repeated));
    let enough = pairs.len() >= FEWEST;
    let differences: Vec<f64> = pairs.iter().filter_map(Pair::difference).collect();
    let hits = pairs.iter().filter(|p| p.program.is_some_and(|v| p.inside(v))).count();
    let (low, high) = wilson(hits, pairs.len());
    if !enough {
        pairs.iter_mut().for_each(|p| (p.program, p.adopted) = (None, None));
    }
    Some(Line {
        metric,
        words: name.words,
        unit: name.unit,
        n: pairs.len(),
        agreement: if enough { agreement(&differences, 1.96) } else { None },
        inside: enough.then_some(Share { hits, of: pairs.len(), low, high }),
        repeats: repeats.map(|(within_sd, repeatability)| Repeats { n: repeated.len(), within_sd, repeatability }),
        adopted: own.metric.get(metric).map(|a| in_use(a, &pairs)),
        pairs,
    })
}

/// What was adopted, checked on clips that it does not rest on.
fn in_use(a: &Adopted, pairs: &[Pair]) -> InUse {
    let moment = |text: &str| text.parse::<jiff::Timestamp>().ok();
    let later = |p: &&Pair| p.from == a.from && !a.clips.contains(&p.clip) && moment(&p.marked_at) > moment(&a.adopted_at);
    let judged: Vec<(&Pair, With, With)> = pairs.iter().filter(later).filter_map(|p| Some((p, p.program?, p.adopted?))).collect();
    let n = judged.len();
    let size = |p: &Pair, v: With| (v.value - p.by_hand).abs();
    let mean = |of: &dyn Fn(&(&Pair, With, With)) -> f64| judged.iter().map(of).sum::<f64>() / n.max(1) as f64;
    let changes: Vec<f64> = judged.iter().map(|(p, without, with)| size(p, *with) - size(p, *without)).collect();
    let change = agreement(&changes, 1.96).map(|a| a.bias).filter(|_| n >= FEWEST);
    let helped = match change {
        None => Helped::TooFew,
        Some(c) if c.high < 0.0 => Helped::Yes,
        Some(c) if c.low > 0.0 => Helped::No,
        Some(_) => Helped::CannotTell,
    };
    let later = Later {
        n,
        without: mean(&|(p, without, _)| size(p, *without)),
        with: mean(&|(p, _, with)| size(p, *with)),
        change,
        inside_without: judged.iter().filter(|(p, without, _)| p.inside(*without)).count(),
        inside_with: judged.iter().filter(|(p, _, with)| p.inside(*with)).count(),
        helped,
    };
    let outdated = a.budget != Budget::in_force().version;
    InUse { shift: a.shift, sd: a.sd, n: a.n, adopted_at: a.adopted_at.clone(), outdated, later }
}

impl InUse {
    /// What it did, as a sentence, in numbers of this form.
    pub fn told(&self, number: impl Fn(f64) -> String, unit: &str) -> String {
        let l = &self.later;
        if self.outdated {
            return "It was adopted beside an earlier version of the program, and nothing is judged by it: adopt anew or drop it.".into();
        }
        let clips = if l.n == 1 { "clip" } else { "clips" };
        if l.n == 0 {
            return "No clip was marked since and judged by it: whether it helps is not known.".into();
        }
        let word = match l.helped {
            Helped::TooFew => format!("too few to tell whether it helps, {FEWEST} are needed"),
            Helped::Yes => "it helps".into(),
            Helped::No => "it does harm: drop it".into(),
            Helped::CannotTell => "whether it helps cannot be told from them".into(),
        };
        format!(
            "On {} {clips} marked since, program and you lie {} {unit} apart on average, {} without it; {} and {} of them inside the interval: {word}.",
            l.n,
            number(l.with),
            number(l.without),
            l.inside_with,
            l.inside_without
        )
    }
}

/// Sway and chicken wing as the program judged them, and as it would by the hand's readings, where the marks tell them.
fn verdicts_by_hand(clip: &Clip, mark_sd_px: f64, settings: &Settings) -> Vec<(FaultName, Verdict, Verdict)> {
    let (Some(swing), Some(view)) = (main(clip.report), &clip.report.view) else { return Vec::new() };
    let reading = |hand: &types::ByHand| Reading {
        value: hand.value,
        sd: (hand.high - hand.value) / 1.96,
        frames: Vec::new(),
        from: From::Outline,
        built_in: None,
    };
    let hand = reported(&clip.hand, &clip.marks, mark_sd_px, swing);
    let other: Quantities = names::ALL.iter().filter_map(|n| Some((n.name, Ok(reading(hand.get(n.name)?))))).collect();
    let told = [(FaultName::Sway, "trail_hip_travel_cm"), (FaultName::ChickenWing, "lead_elbow_bow_late_upper_arms")];
    let by_hand = faults_with(swing, view.kind, &clip.identity.brief, settings, &other);
    let marked = told.into_iter().filter(|(_, leading)| other.contains_key(leading));
    marked.filter_map(|(fault, _)| Some((fault, by_program(clip.report, fault), by_hand.get(&fault)?.verdict))).collect()
}

impl Table {
    /// As it is printed at a terminal.
    pub fn text(&self) -> String {
        let mut text = match self.clips {
            0 => return "no clip is measured by hand yet: dawnsheet ruler draw, then the desk\n".into(),
            1 => "1 clip measured by hand".to_string(),
            n => format!("{n} clips measured by hand"),
        };
        let by = if self.mark_sd_by_repeats { "by your own repeats" } else { "assumed until you have marked some clips twice" };
        text.push_str(&format!("; a mark errs by {:.1} pixels ({by})\n", self.mark_sd_px));
        if !self.enough {
            text.push_str(&format!("too few to tell how well the program measures: {FEWEST} are needed\n"));
        }
        for line in &self.lines {
            text.push_str(&format!("\n{} ({}), {} clips\n", line.words, line.unit, line.n));
            match (&line.agreement, &line.inside) {
                (Some(a), Some(s)) => {
                    let With { value, low, high } = a.bias;
                    text.push_str(&format!("  program less hand on average {value:+.2} ({low:+.2} to {high:+.2}), SD {:.2}\n", a.sd));
                    let limit = |l: With| format!("{:+.2} ({:+.2} to {:+.2})", l.value, l.low, l.high);
                    text.push_str(&format!("  nineteen of twenty between {} and {}\n", limit(a.limits[0]), limit(a.limits[1])));
                    let share = |p: f64| 100.0 * p;
                    text.push_str(&format!(
                        "  inside the program's interval: {} of {} ({:.0} to {:.0} %)\n",
                        s.hits,
                        s.of,
                        share(s.low),
                        share(s.high)
                    ));
                }
                _ => {
                    for p in &line.pairs {
                        text.push_str(&format!("  {}: by hand {:.2} ({:.2} to {:.2})\n", p.clip, p.by_hand, p.by_hand_low, p.by_hand_high));
                    }
                }
            }
            if let Some(a) = &line.adopted {
                let day = a.adopted_at.get(..10).unwrap_or_default();
                text.push_str(&format!("  adopted on {day} from {} clips: {:+.2} taken off, SD {:.2}\n", a.n, a.shift, a.sd));
                text.push_str(&format!("  {}\n", a.told(|v| format!("{v:.2}"), line.unit)));
            }
            if let Some(r) = &line.repeats {
                text.push_str(&format!(
                    "  your own second measurement of {} clips: within {:.2} in nineteen of twenty\n",
                    r.n, r.repeatability
                ));
            }
        }
        if self.enough {
            text.push_str(&format!("\n{} of {} verdicts would have been another by hand\n", self.changed.len(), self.verdicts));
            for c in &self.changed {
                let (file, fault) = (printable(&c.file), c.fault.words());
                text.push_str(&format!("  {file}: {fault} {} by the program, {} by hand\n", c.program.words(), c.by_hand.words()));
            }
        }
        text
    }
}
