//! What the desk adds to a clip's page: the footage, its events, and a verdict for each fault by one key.

use super::gather::Entry;
use super::judged::{ByClip, on};
use super::parts::{fault_order, ours_in_words, sign};
use super::words;
use crate::error::Result;
use crate::history::verdicts::{decided, ours};
use crate::place::OutFolder;
use crate::report::types::FaultName;
use crate::report::{ReasonCode, Report, printable};
use crate::seen::Seen;

/// An event to jump to.
pub struct Jump {
    pub name: String,
    pub key: &'static str,
    /// Seconds of the clip.
    pub time_s: f64,
}

/// A fault to agree or disagree with.
pub struct Choice {
    pub code: String,
    pub words: String,
    pub ours: String,
    /// The same as it is sent along with the coach's word.
    pub shown: String,
    /// Name of the sign of our verdict.
    pub sign: &'static str,
    pub agree: &'static str,
    pub disagree: &'static str,
    /// What the coach said so far.
    pub said: String,
    pub agrees: Option<bool>,
    /// The coach's own measurement decides it: there is nothing to agree with.
    pub own: bool,
}

/// The desk's part of a page.
pub struct DeskPart {
    pub owner: String,
    pub clip: String,
    /// What its page is called, here and where it is measured by hand.
    pub page: String,
    /// Why the footage cannot be shown.
    pub gone: Option<String>,
    /// Why there is nothing to judge.
    pub nothing: Option<String>,
    /// Pixels, where known.
    pub size: Option<(u32, u32)>,
    /// Degrees clockwise by which the footage, as a browser plays it, is turned so that the golfer stands: 0, 90, 180 or 270.
    pub turned: u32,
    /// Times of the frames of the swings as `frame:seconds`, comma between.
    pub times: String,
    /// Usual time from frame to frame, seconds.
    pub interval_s: f64,
    pub jumps: Vec<Jump>,
    pub faults: Vec<Choice>,
}

/// Keys by event: common to all keyboards, apart from those of the verdicts.
const KEYS: [(&str, &str); 9] = [
    ("address", "a"),
    ("takeaway", "b"),
    ("lead_arm_level_back", "l"),
    ("top", "t"),
    ("lead_arm_level_down", "d"),
    ("impact", "i"),
    ("half_follow_through", "h"),
    ("chest_high_follow_through", "c"),
    ("finish", "f"),
];

/// Agree and disagree, in the order in which the verdicts are shown.
const VERDICT_KEYS: [(&str, &str); 3] = [("1", "q"), ("2", "w"), ("3", "e")];

/// 30 frames a second, where the footage does not tell.
const USUAL_INTERVAL_S: f64 = 1.0 / 30.0;

impl DeskPart {
    /// Whether the coach's own measurement decides anything here.
    pub fn own(&self) -> bool {
        self.faults.iter().any(|f| f.own)
    }

    /// Of a clip; `gone` as said by who looked for its footage. Errors: the out folder cannot be used.
    pub fn of(out: &OutFolder, e: &Entry, given: &ByClip, gone: Option<String>) -> Result<DeskPart> {
        let report = e.report();
        let said = on(given, e);
        let main = report.swings.iter().find(|s| s.main);
        let jumps = main.map_or_else(Vec::new, |m| {
            let named = m.events.named().into_iter().zip(KEYS);
            named
                .filter_map(|((name, event), (_, key))| {
                    Some(Jump { name: words::sentence(&name.replace('_', " ")), key, time_s: event?.time_s })
                })
                .collect()
        });
        // a kept look that cannot be read costs the exact times, not the desk
        let times = Seen::read(&out.keypoints(&report.clip.id)?).map(|seen| {
            let each: Vec<String> = seen.body.frames.iter().zip(&seen.body.times).map(|(f, t)| format!("{f}:{t:.6}")).collect();
            each.join(",")
        });
        Ok(DeskPart {
            owner: e.stored.owner.clone(),
            clip: report.clip.id.clone(),
            page: e.page.clone(),
            gone,
            nothing: nothing_to_judge(report),
            turned: report.video.as_ref().map_or(0, |v| v.turned_by_sight),
            size: report.video.as_ref().map(|v| (v.width, v.height)),
            times: times.unwrap_or_default(),
            interval_s: report.video.as_ref().map_or(USUAL_INTERVAL_S, |v| v.frame_interval_ms.median / 1000.0),
            jumps,
            faults: fault_order(report)
                .into_iter()
                .zip(VERDICT_KEYS)
                .map(|(fault, (agree, disagree))| {
                    let verdict = ours(report, fault);
                    let word = said.iter().find(|g| g.fault == fault);
                    Choice {
                        code: fault_code(fault),
                        words: words::sentence(fault.words()),
                        ours: ours_in_words(report, fault),
                        shown: words::code(&verdict).replace(' ', "_"),
                        sign: sign(verdict),
                        agree,
                        disagree,
                        said: word.map_or_else(String::new, |g| g.in_words()),
                        agrees: word.map(|g| g.agrees),
                        own: decided(report, fault).is_some(),
                    }
                })
                .collect(),
        })
    }
}

/// As in reports.
fn fault_code(fault: FaultName) -> String {
    words::code(&fault).replace(' ', "_")
}

/// Why nobody can agree or disagree with anything: the file holds no picture of a golfer, whatever it is.
pub fn nothing_to_judge(report: &Report) -> Option<String> {
    let no_film = [ReasonCode::NotAVideo, ReasonCode::NotAllowed, ReasonCode::Unreadable, ReasonCode::NoFrames];
    let why = report.reasons.iter().find(|r| no_film.contains(&r.code)).filter(|_| report.swings.is_empty())?;
    Some(format!("There is nothing to judge in this file: {}.", printable(&why.text)))
}
