//! What any store of results can do: SQLite in the out folder ([`Store`]), PostgreSQL for many machines. One test-suite
//! (`tests/fleet/stores.rs`) holds for both.

use super::erased::Held;
use super::marked::Marked;
use super::rows::Row;
use super::store::{Attempt, FailedAttempt, Lease, Store, Stored};
use super::verdicts::Given;
use crate::error::Result;
use crate::report::Report;

/// What stands for the key in the row of a clip that was given up: nothing is done under it.
pub fn given_up(last: Lease) -> String {
    format!("given up {}.{}", last.job, last.attempt)
}

/// A store of results, failed attempts, leases and notes. Owner: folder name of a student; clip: first 16 hex digits of the
/// content hash; moments: RFC 3339, UTC. Each call is one transaction.
pub trait Results: Send {
    /// From now on this coach's rows are meant, where the store tells coaches apart.
    fn of_coach(&mut self, _coach: &str) {}
    /// The key under which an owner's clip is done, where it is.
    fn done_key(&mut self, owner: &str, clip: &str) -> Result<Option<String>>;
    /// Whether the models' look at these bytes is kept, by these models and this engine.
    fn has_seen(&mut self, sha256: &str, model_sha256: &str, engine: &str) -> Result<bool>;
    /// Failed attempts at a key.
    fn failures(&mut self, key: &str) -> Result<u32>;
    /// Forgets failed attempts at a key, so that it is tried again.
    fn clear_failures(&mut self, key: &str) -> Result<()>;
    /// Records an attempt that brought no result: why, and what the worker complained.
    fn record_failure(&mut self, attempt: &Attempt, why: &str, stderr: &str) -> Result<()>;
    /// Failed attempts at a clip, oldest first.
    fn failed_attempts(&mut self, owner: &str, clip: &str) -> Result<Vec<FailedAttempt>>;
    /// Takes a clip for one attempt of a job; false where a later attempt took it, or a later job has its result there.
    fn take(&mut self, owner: &str, clip: &str, lease: Lease) -> Result<bool>;
    /// Gives up what [`Results::take`] took, where it is still this attempt's.
    fn let_go(&mut self, owner: &str, clip: &str, lease: Lease) -> Result<bool>;
    /// The newest job that made a clip's result; 0 for none.
    fn newest_job(&mut self, owner: &str, clip: &str) -> Result<i64>;
    /// Records a result, its attempt and what was seen for it (`seen`: model hash, engine, attempt), in one transaction: now
    /// the clip is done. Under a lease only while it is held, and never over the result of a later job; recording ends it.
    /// Error: `LeaseLost`, nothing written.
    fn record_under(
        &mut self,
        lease: Option<Lease>,
        owner: &str,
        key: &str,
        identity: &str,
        report: &Report,
        seen: Option<(&str, &str, &Attempt)>,
    ) -> Result<()>;
    /// Records that this attempt at a clip was the last, where the clip has no result: a row for its coach to see, under a key
    /// that is none ([`given_up`]). Whether it is new.
    fn give_up(&mut self, last: Lease, owner: &str, identity: &str, report: &Report) -> Result<bool>;
    /// Takes away the row of a clip that was given up; a result stays.
    fn retract(&mut self, owner: &str, clip: &str) -> Result<()>;
    /// Ends every lease on this owner's clips: whoever is at work on one records nothing.
    fn end_leases(&mut self, owner: &str) -> Result<()>;
    /// Records a verdict of the coach. Where `made_at` is empty it is now.
    fn give_verdict(&mut self, verdict: &Given) -> Result<()> {
        self.give_verdicts(std::slice::from_ref(verdict))
    }
    /// Records these verdicts, all or none. One that is here already (the same clip, fault and moment) stays as it is.
    fn give_verdicts(&mut self, verdicts: &[Given]) -> Result<()>;
    /// Takes back the last verdict on a clip: what it was, or `None` where there was none.
    fn take_back_verdict(&mut self, owner: &str, clip: &str) -> Result<Option<Given>>;
    /// Every verdict of the coach, in the order in which they were said.
    fn verdicts(&mut self) -> Result<Vec<Given>>;
    /// Records what was marked by hand, all or none. What is here already (clip, kind and moment) stays as it is.
    fn add_marked(&mut self, all: &[Marked]) -> Result<()>;
    /// All that was marked by hand, oldest first.
    fn marked(&mut self) -> Result<Vec<Marked>>;
    /// Every result with its identity, by owner and date.
    fn results(&mut self) -> Result<Vec<(Stored, String)>>;
    /// Folder name and name of everybody of whom something is kept.
    fn students(&mut self) -> Result<Vec<(String, Option<String>)>>;
    /// The same as rows, by owner and clip, each whole and all of one moment.
    fn rows(&mut self) -> Result<Vec<Row>>;
    /// One result.
    fn result(&mut self, owner: &str, clip: &str) -> Result<Option<Report>>;
    /// Every clip of which the store holds something for this owner.
    fn held_by(&mut self, owner: &str) -> Result<Vec<Held>>;
    /// Erases the rows of these clips of one owner. Rows about bytes that another owner sent too stay for that one.
    fn erase(&mut self, owner: &str, held: &[Held]) -> Result<()>;
    /// Remembers by digest alone that something is to be skipped from now on.
    fn forget(&mut self, what: &str, why: &str) -> Result<()>;
    /// Takes that back; whether it was remembered at all.
    fn welcome(&mut self, what: &str) -> Result<bool>;
    /// As [`Results::forget`], of another spelling of an owner's folder name: taken back with the owner.
    fn forget_spelled(&mut self, owner: &str, spelled: &str) -> Result<()>;
    /// Lets a name lead to an owner who is forgotten, by digests alone.
    fn forget_called(&mut self, owner: &str, name: &str) -> Result<()>;
    /// As [`Results::welcome`], of the owner to whom this name leads.
    fn welcome_called(&mut self, name: &str) -> Result<bool>;
    /// Why this is skipped, where it is.
    fn forgotten(&mut self, what: &str) -> Result<Option<String>>;
    /// A remembered fact about the installation.
    fn note(&mut self, name: &str) -> Result<Option<String>>;
    /// Remembers one.
    fn set_note(&mut self, name: &str, value: &str) -> Result<()>;
    /// Owner and clip of what was first measured before `moment`.
    fn measured_before(&mut self, moment: &str) -> Result<Vec<(String, String)>>;
}

/// Every method is the inherent one of the same name.
macro_rules! delegate {
    ($($name:ident($($argument:ident: $kind:ty),*) -> $result:ty;)*) => {
        impl Results for Store {
            $(fn $name(&mut self, $($argument: $kind),*) -> $result {
                Store::$name(self, $($argument),*)
            })*
        }
    };
}

delegate! {
    done_key(owner: &str, clip: &str) -> Result<Option<String>>;
    has_seen(sha256: &str, model_sha256: &str, engine: &str) -> Result<bool>;
    failures(key: &str) -> Result<u32>;
    clear_failures(key: &str) -> Result<()>;
    record_failure(attempt: &Attempt, why: &str, stderr: &str) -> Result<()>;
    failed_attempts(owner: &str, clip: &str) -> Result<Vec<FailedAttempt>>;
    take(owner: &str, clip: &str, lease: Lease) -> Result<bool>;
    let_go(owner: &str, clip: &str, lease: Lease) -> Result<bool>;
    newest_job(owner: &str, clip: &str) -> Result<i64>;
    record_under(lease: Option<Lease>, owner: &str, key: &str, identity: &str, report: &Report, seen: Option<(&str, &str, &Attempt)>) -> Result<()>;
    give_up(last: Lease, owner: &str, identity: &str, report: &Report) -> Result<bool>;
    retract(owner: &str, clip: &str) -> Result<()>;
    end_leases(owner: &str) -> Result<()>;
    give_verdicts(verdicts: &[Given]) -> Result<()>;
    take_back_verdict(owner: &str, clip: &str) -> Result<Option<Given>>;
    verdicts() -> Result<Vec<Given>>;
    add_marked(all: &[Marked]) -> Result<()>;
    marked() -> Result<Vec<Marked>>;
    results() -> Result<Vec<(Stored, String)>>;
    students() -> Result<Vec<(String, Option<String>)>>;
    rows() -> Result<Vec<Row>>;
    result(owner: &str, clip: &str) -> Result<Option<Report>>;
    held_by(owner: &str) -> Result<Vec<Held>>;
    erase(owner: &str, held: &[Held]) -> Result<()>;
    forget(what: &str, why: &str) -> Result<()>;
    welcome(what: &str) -> Result<bool>;
    forget_spelled(owner: &str, spelled: &str) -> Result<()>;
    forget_called(owner: &str, name: &str) -> Result<()>;
    welcome_called(name: &str) -> Result<bool>;
    forgotten(what: &str) -> Result<Option<String>>;
    note(name: &str) -> Result<Option<String>>;
    set_note(name: &str, value: &str) -> Result<()>;
    measured_before(moment: &str) -> Result<Vec<(String, String)>>;
}
