//! An out folder whose verdicts, and what was marked by hand, are kept in the database of many machines: the database is asked first, the folder's own
//! store follows it, so that sheet and trend read what they always read.

use super::{Results, Store};
use crate::error::{Error, Result};

/// Opens the database anew for each thing done there, so that it may go away in between.
pub type Reach = dyn Fn() -> Result<Box<dyn Results>> + Send + Sync;

/// The open database, where there is one.
pub type Far<'a> = Option<&'a mut (dyn Results + 'static)>;

/// Note of a folder that follows a database.
const KEPT: &str = "verdicts kept elsewhere";

/// Lets the folder follow: what was said here before goes to the database, once.
pub fn join(store: &mut Store, far: &mut dyn Results) -> Result<()> {
    if store.note(KEPT)?.is_none() {
        // in one step, and told twice they are the same: whoever is cut off here begins again
        far.give_verdicts(&store.verdicts()?)?;
        far.add_marked(&store.marked()?)?;
        store.set_note(KEPT, "yes")?;
    }
    follow(store, far)
}

fn follow(store: &mut Store, far: &mut dyn Results) -> Result<()> {
    store.set_verdicts(&far.verdicts()?)?;
    store.set_marked(&far.marked()?)
}

/// Does one thing to the coach's verdicts or marks: in the database where there is one, else in the folder. Error: usage, where the
/// folder follows a database that is not named.
pub fn say<T>(store: &mut Store, far: Option<&Reach>, act: impl FnOnce(&mut dyn Results) -> Result<T>) -> Result<T> {
    let Some(reach) = far else {
        not_elsewhere(store)?;
        return act(store);
    };
    let mut far = reach()?;
    join(store, far.as_mut())?;
    let done = act(far.as_mut())?;
    follow(store, far.as_mut())?;
    Ok(done)
}

/// Error: usage, where the folder follows a database.
pub fn not_elsewhere(store: &Store) -> Result<()> {
    match store.note(KEPT)? {
        Some(_) => {
            Err(Error::Usage("the verdicts on these results are kept in a database: name it with --store or in DAWNSHEET_STORE".into()))
        }
        None => Ok(()),
    }
}
