//! From points to a row: read by what was seen of the clip, asked about, valued.

use super::marks::{Marks, questions};
use super::values::{ByHand, by_hand};
use crate::error::{Error, Result};
use crate::history::marked::{Kind, Marked};
use crate::judge::{Identity, main_swing};
use crate::place::OutFolder;
use crate::seen::Seen;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// What became of a clip's points.
#[derive(Debug, Clone, PartialEq)]
pub struct Valued {
    pub marked: Marked,
    pub values: BTreeMap<String, ByHand>,
    /// What looks like a slip.
    pub questions: Vec<String>,
}

/// Values a clip's points, as a row that can be kept. Errors: usage, where points are no points of this clip or none is enough for a
/// value; the out folder cannot be used.
pub fn value(out: &OutFolder, owner: &str, identity: &Identity, settings: &Settings, marks: &Marks, kind: Kind) -> Result<Valued> {
    let seen = match Seen::read(&out.keypoints(identity.id())?) {
        Ok(seen) => seen,
        Err(Error::File { .. }) => {
            return Err(Error::Usage("what was seen of this clip is no longer kept: run again with the clip".into()));
        }
        Err(e) => return Err(e),
    };
    let read = main_swing(&seen, &identity.brief, settings, |ctx| Ok((questions(ctx, marks)?, by_hand(ctx, marks)?)));
    let (questions, values) = read.unwrap_or_else(|| Err("no swing is seen in this clip".into())).map_err(Error::Usage)?;
    if values.is_empty() {
        return Err(Error::Usage("too few points for any value".into()));
    }
    let text = |value: serde_json::Result<String>| value.map_err(|e| Error::Internal(e.to_string()));
    let marked = Marked {
        owner: owner.into(),
        clip: identity.id().into(),
        kind,
        made_at: String::new(),
        marks: text(serde_json::to_string(marks))?,
        by_hand: text(serde_json::to_string(&values))?,
    };
    Ok(Valued { marked, values, questions })
}
