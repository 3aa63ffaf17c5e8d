//! Taking an erasure back. Of who was erased only digests are kept, so each name that led to the erasure is kept as one too.

use super::forget;
use crate::error::Result;
use crate::history::elsewhere::Far;
use crate::history::{Results, Store};
use crate::intake::roster::slug;

/// Lets these names lead back to an owner who is about to be erased, here and in `far`, the database of many machines.
pub fn remember(store: &mut Store, mut far: Far, owner: &str, names: &[&str]) -> Result<()> {
    for name in names {
        store.forget_called(owner, &folded(name))?;
        if let Some(far) = far.as_deref_mut() {
            far.forget_called(owner, &folded(name))?;
        }
    }
    Ok(())
}

/// Takes back an erasure, here and in `far`, that any of these led to: the name as typed then or now, the student's name,
/// alias or folder name. Whether there was one. Error: usage, where there was none and nobody goes by the name either.
pub fn take_back(store: &mut Store, mut far: Far, wanted: &str) -> Result<bool> {
    let known = forget::find(store, far.as_deref_mut(), wanted);
    let mut owners = vec![wanted.to_string(), slug(Some(wanted))];
    owners.extend(known.iter().map(|whom| whom.owner.clone()));
    let mut back = welcome(store, &owners, wanted)?;
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

/// Letter case and white space of a name do not matter.
fn folded(name: &str) -> String {
    name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase()
}
