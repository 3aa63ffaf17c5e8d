//! Taking an erasure back. Of who was erased only digests are kept, so each name that led to the erasure is kept as one too.

use super::forget::{self, Whom};
use crate::error::Result;
use crate::history::elsewhere::Far;
use crate::history::{Results, Store};
use crate::intake::names::{folded, slug, slug_as_spelled};
use crate::place::OutFolder;

/// Lets these names, and all that the student goes by, lead back to who is about to be erased, here and in `far`, the database of
/// many machines.
pub fn remember(store: &mut Store, mut far: Far, whom: &Whom, typed: &str) -> Result<()> {
    for name in whom.names.iter().map(String::as_str).chain([typed, &whom.name]) {
        store.forget_called(&whom.owner, &folded(name))?;
        if let Some(far) = far.as_deref_mut() {
            far.forget_called(&whom.owner, &folded(name))?;
        }
    }
    Ok(())
}

/// Takes back an erasure, here and in `far`, that any of these led to: the name as typed then or now, the student's name,
/// alias or folder name. Whether there was one. Error: usage, where there was none and nobody goes by the name either.
pub fn take_back(out: &OutFolder, store: &mut Store, mut far: Far, wanted: &str) -> Result<bool> {
    let known = forget::find(out, store, far.as_deref_mut(), wanted);
    let mut back = false;
    for whom in known.iter().flatten() {
        back |= forget::welcome(store, far.as_deref_mut(), whom)?;
    }
    let owners = [wanted.to_string(), slug(Some(wanted)), slug_as_spelled(wanted)];
    back |= welcome(store, &owners, wanted)?;
    if let Some(far) = far {
        back |= welcome(far, &owners, wanted)?;
    }
    if !back {
        known?;
    }
    Ok(back)
}

fn welcome(store: &mut dyn Results, owners: &[String], wanted: &str) -> Result<bool> {
    let mut back = store.welcome_called(&folded(wanted))?;
    for owner in owners {
        back |= store.welcome(owner)?;
    }
    Ok(back)
}
