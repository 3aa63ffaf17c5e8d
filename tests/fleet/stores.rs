//! One suite for every store of results: SQLite in a file, PostgreSQL. And what only PostgreSQL has: coaches kept apart.

use crate::cluster::{Cluster, PASSWORD};
use crate::support::Builder;
use dawnsheet::error::Error;
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::history::postgres::Postgres;
use dawnsheet::history::store::{Attempt, Lease};
use dawnsheet::history::verdicts::Given;
use dawnsheet::history::{Results, Store};
use dawnsheet::report::Report;
use dawnsheet::report::types::{FaultName, Verdict};

fn report(student: &str, clip: &str, captured: Option<&str>) -> Report {
    let mut r = Builder::new(1, student, "2026-02-01").report;
    r.clip.id = format!("{clip:0>16}");
    r.clip.sha256 = format!("{clip:0>64}");
    r.clip.file = format!("{student}/{clip} Ü 'quoted'.mp4");
    r.clip.captured = captured.map(Into::into);
    r
}

fn attempt(owner: &str, r: &Report, key: &str) -> Attempt {
    let (clip, sha256, file) = (r.clip.id.clone(), r.clip.sha256.clone(), r.clip.file.clone());
    Attempt { owner: owner.into(), clip, sha256, file, key: key.into(), seconds: 1.5, timings: serde_json::json!({"scout": 0.5}) }
}

fn at(job: i64, attempt: i32) -> Lease {
    Lease { job, attempt }
}

/// The suite.
fn holds(s: &mut dyn Results) {
    let (a, b) = (report("Ada", "a", Some("2026-02-01")), report("Ada", "b", None));
    let (ida, idb) = (a.clip.id.clone(), b.clip.id.clone());
    // results, done keys, what was seen, in one step
    assert_eq!(s.done_key("ada", &ida).unwrap(), None);
    s.record_under(None, "ada", "k1", "{\"i\":1}", &a, Some(("model", "1", &attempt("ada", &a, "k1")))).unwrap();
    s.record_under(None, "ada", "k2", "{}", &b, None).unwrap();
    assert_eq!(s.done_key("ada", &ida).unwrap().as_deref(), Some("k1"));
    assert!(s.has_seen(&a.clip.sha256, "model", "1").unwrap());
    assert!(!s.has_seen(&a.clip.sha256, "model", "2").unwrap() && !s.has_seen(&b.clip.sha256, "model", "1").unwrap());
    assert_eq!(s.result("ada", &ida).unwrap().unwrap().to_json(), a.to_json(), "byte for byte");
    let all: Vec<_> = s.results().unwrap().into_iter().map(|(r, i)| (r.owner, r.report.clip.id, i)).collect();
    assert_eq!(all, [("ada".into(), idb.clone(), "{}".into()), ("ada".into(), ida.clone(), "{\"i\":1}".into())], "undated first");
    // judged again: replaced, not doubled
    s.record_under(None, "ada", "k3", "{}", &b, None).unwrap();
    assert_eq!((s.results().unwrap().len(), s.done_key("ada", &idb).unwrap().as_deref()), (2, Some("k3")));
    // failures
    let tried = attempt("ada", &b, "k9");
    s.record_failure(&tried, "crashed", "complaint \0 with a NUL").unwrap();
    s.record_failure(&tried, "hung", "").unwrap();
    assert_eq!((s.failures("k9").unwrap(), s.failures("k1").unwrap()), (2, 0), "a success is no failure");
    let failed = s.failed_attempts("ada", &idb).unwrap();
    assert_eq!(failed.iter().map(|f| (f.why.as_str(), f.seconds)).collect::<Vec<_>>(), [("crashed", 1.5), ("hung", 1.5)]);
    assert!(failed[0].stderr.starts_with("complaint"));
    s.clear_failures("k9").unwrap();
    assert_eq!(s.failures("k9").unwrap(), 0);
    fences(s);
    words(s);
    marks(s);
    // notes, skipping, retention
    assert_eq!(s.note("inbox").unwrap(), None);
    s.set_note("inbox", "/a").unwrap();
    s.set_note("inbox", "/b").unwrap();
    assert_eq!(s.note("inbox").unwrap().as_deref(), Some("/b"));
    s.forget("eve", "asked").unwrap();
    assert_eq!(s.forgotten("eve").unwrap().as_deref(), Some("asked"));
    assert!(s.welcome("eve").unwrap() && !s.welcome("eve").unwrap() && s.forgotten("eve").unwrap().is_none());
    assert_eq!(s.measured_before("2000-01-01T00:00:00Z").unwrap(), []);
    assert!(s.measured_before("2999-01-01T00:00:00Z").unwrap().contains(&("ada".to_string(), ida.clone())));
    // erasing one owner leaves the other who sent the same bytes
    s.record_under(None, "bob", "k1", "{}", &a, None).unwrap();
    let held = s.held_by("ada").unwrap();
    assert!(held.iter().any(|h| h.clip == ida && h.shared && h.judged) && held.iter().any(|h| h.clip == idb && !h.shared));
    s.erase("ada", &held).unwrap();
    assert_eq!(s.held_by("ada").unwrap().len(), 0);
    assert!(s.result("bob", &ida).unwrap().is_some() && s.has_seen(&a.clip.sha256, "model", "1").unwrap());
}

fn word(owner: &str, clip: &str, agrees: bool, note: &str) -> Given {
    let (fault, ours) = (FaultName::Sway, Verdict::Flagged);
    Given { owner: owner.into(), clip: clip.into(), fault, ours, agrees, note: note.into(), made_at: String::new() }
}

/// What was said earlier stays earlier, whenever it is told; told again it is there once; all of them or none.
fn say_when(s: &mut dyn Results) {
    let at = |moment: &str, note: &str| Given { made_at: moment.into(), ..word("hal", "c", true, note) };
    // as text the shorter fraction would come last
    let (first, second) = (at("2026-01-02T03:04:05.1Z", "first"), at("2026-01-02T03:04:05.123Z", "second"));
    s.give_verdict(&second).unwrap();
    for _ in 0..2 {
        s.give_verdicts(&[first.clone(), second.clone()]).unwrap();
    }
    let of_hal = |s: &mut dyn Results| s.verdicts().unwrap().into_iter().filter(|v| v.owner == "hal").collect::<Vec<_>>();
    assert_eq!(of_hal(s), [first.clone(), second.clone()]);
    assert_eq!(s.take_back_verdict("hal", "c").unwrap(), Some(second), "the last that was said");
    assert_eq!(s.take_back_verdict("hal", "c").unwrap(), Some(first));
    assert_eq!(s.take_back_verdict("hal", "c").unwrap(), None);
}

/// The coach's word: kept in order, taken back last first, erased with the clip.
fn words(s: &mut dyn Results) {
    let r = report("Eve", "e", None);
    let id = r.clip.id.clone();
    s.record_under(None, "eve", "k", "{}", &r, None).unwrap();
    let dated = Given { made_at: "2026-01-02T03:04:05Z".into(), ..word("eve", &id, true, "first") };
    s.give_verdict(&dated).unwrap();
    s.give_verdict(&word("eve", &id, false, "Ü 'quoted'")).unwrap();
    s.give_verdict(&word("fay", &id, true, "")).unwrap();
    let all = s.verdicts().unwrap();
    assert_eq!((all.len(), &all[0], all[1].note.as_str(), all[1].agrees), (3, &dated, "Ü 'quoted'", false));
    assert!(all[1].made_at.starts_with("20") && all[1].made_at.ends_with('Z'), "now");
    assert_eq!(s.take_back_verdict("eve", "another").unwrap(), None);
    assert_eq!(s.take_back_verdict("eve", &id).unwrap().unwrap().note, "Ü 'quoted'");
    let held = s.held_by("eve").unwrap();
    s.erase("eve", &held).unwrap();
    assert_eq!(s.verdicts().unwrap().iter().map(|v| v.owner.as_str()).collect::<Vec<_>>(), ["fay"]);
    say_when(s);
    // what is at work on an erased clip records nothing
    s.record_under(None, "hal", "k", "{}", &r, None).unwrap();
    assert!(s.take("hal", &id, at(9, 1)).unwrap());
    let held = s.held_by("hal").unwrap();
    s.erase("hal", &held).unwrap();
    assert!(matches!(s.record_under(Some(at(9, 1)), "hal", "k", "{}", &r, None), Err(Error::LeaseLost)));
    // an erasure ends the leases of its student alone
    assert!(s.take("eve", &id, at(9, 1)).unwrap() && s.take("fay", &id, at(9, 2)).unwrap());
    s.end_leases("eve").unwrap();
    assert!(matches!(s.record_under(Some(at(9, 1)), "eve", "k", "{}", &r, None), Err(Error::LeaseLost)));
    assert!(s.result("eve", &id).unwrap().is_none() && s.let_go("fay", &id, at(9, 2)).unwrap());
    assert!(s.take_back_verdict("fay", &id).unwrap().is_some());
}

fn marked(owner: &str, clip: &str, kind: Kind, made_at: &str, marks: &str) -> Marked {
    Marked { owner: owner.into(), clip: clip.into(), kind, made_at: made_at.into(), marks: marks.into(), by_hand: "{}".into() }
}

/// What was marked by hand: every time as it was, in the order of its moments, once however often it is told, erased with the clip.
fn marks(s: &mut dyn Results) {
    let (r, other) = (report("Ida", "1", None), report("Ida", "2", None));
    let (id, other_id) = (r.clip.id.clone(), other.clip.id.clone());
    s.record_under(None, "ida", "k", "{}", &r, None).unwrap();
    s.record_under(None, "ida", "k", "{}", &other, None).unwrap();
    // as text the shorter fraction would come last
    let first = marked("ida", &id, Kind::Marked, "2026-01-02T03:04:05.1Z", "{\"a\":1}");
    let change = marked("ida", &id, Kind::Marked, "2026-01-02T03:04:05.123Z", "{\"a\":2}");
    let drawn = marked("ida", &other_id, Kind::Drawn, "2026-01-01T00:00:00Z", "{}");
    let elsewhere = marked("joe", &id, Kind::Again, "2026-02-01T00:00:00Z", "{}");
    for _ in 0..2 {
        s.add_marked(&[change.clone(), first.clone(), drawn.clone(), elsewhere.clone()]).unwrap();
    }
    assert_eq!(s.marked().unwrap(), [drawn.clone(), first, change, elsewhere.clone()]);
    s.add_marked(&[marked("joe", "new", Kind::Marked, "", "{}")]).unwrap();
    assert!(s.marked().unwrap().last().unwrap().made_at.starts_with("20"), "now");
    let held: Vec<_> = s.held_by("ida").unwrap().into_iter().filter(|h| h.clip == id).collect();
    s.erase("ida", &held).unwrap();
    let left: Vec<_> = s.marked().unwrap().into_iter().map(|m| (m.owner, m.clip)).collect();
    assert_eq!(left, [("ida".to_string(), other_id), ("joe".into(), id), ("joe".into(), "new".into())]);
    let held = s.held_by("ida").unwrap();
    s.erase("ida", &held).unwrap();
}

/// What was given up is a row but not done, never in the place of a result, and gives way to one.
fn gives_up(s: &mut dyn Results) {
    let r = report("Ada", "f", None);
    let id = r.clip.id.clone();
    assert!(s.give_up(at(3, 5), "gil", "{}", &r).unwrap() && !s.give_up(at(3, 5), "gil", "{}", &r).unwrap(), "told once");
    assert!(s.give_up(at(3, 7), "gil", "{}", &r).unwrap() && !s.give_up(at(2, 9), "gil", "{}", &r).unwrap());
    assert_eq!(s.done_key("gil", &id).unwrap().as_deref(), Some("given up 3.7"));
    s.retract("gil", &id).unwrap();
    assert!(s.result("gil", &id).unwrap().is_none() && s.give_up(at(3, 7), "gil", "{}", &r).unwrap());
    assert!(s.take("gil", &id, at(3, 8)).unwrap(), "it may be tried again");
    s.record_under(Some(at(3, 8)), "gil", "k", "{}", &r, None).unwrap();
    s.retract("gil", &id).unwrap();
    assert!(!s.give_up(at(9, 9), "gil", "{}", &r).unwrap(), "a result stays");
    assert_eq!(s.done_key("gil", &id).unwrap().as_deref(), Some("k"));
    let held = s.held_by("gil").unwrap();
    s.erase("gil", &held).unwrap();
}

/// A late worker changes nothing.
fn fences(s: &mut dyn Results) {
    let r = report("Ada", "c", None);
    let (id, mut late) = (r.clip.id.clone(), r.clone());
    late.severity = 0.25;
    assert!(s.take("ada", &id, at(7, 1)).unwrap());
    assert!(s.take("ada", &id, at(7, 2)).unwrap(), "a later attempt takes over");
    assert!(!s.take("ada", &id, at(7, 1)).unwrap() && !s.take("ada", &id, at(6, 9)).unwrap(), "an earlier one does not");
    let seen = attempt("ada", &late, "k");
    let lost = s.record_under(Some(at(7, 1)), "ada", "k", "{}", &late, Some(("m", "e", &seen)));
    assert!(matches!(lost, Err(Error::LeaseLost)), "{lost:?}");
    assert!(s.result("ada", &id).unwrap().is_none() && !s.has_seen(&r.clip.sha256, "m", "e").unwrap(), "nothing of it was written");
    s.record_under(Some(at(7, 2)), "ada", "k", "{}", &r, None).unwrap();
    let lost = s.record_under(Some(at(7, 1)), "ada", "other", "{}", &late, None);
    assert!(matches!(lost, Err(Error::LeaseLost)), "also after the other is done: {lost:?}");
    assert!(matches!(s.record_under(Some(at(7, 2)), "ada", "other", "{}", &late, None), Err(Error::LeaseLost)), "a lease is good once");
    assert_eq!(s.result("ada", &id).unwrap().unwrap().to_json(), r.to_json());
    // the result remembers its job: one that was planned before may not even begin
    assert!(!s.take("ada", &id, at(6, 9)).unwrap() && s.newest_job("ada", &id).unwrap() == 7, "the lease is gone, the fence is not");
    s.record_under(None, "ada", "k", "{}", &r, None).unwrap();
    assert!(!s.take("ada", &id, at(6, 9)).unwrap(), "also after it was judged again");
    assert_eq!(s.newest_job("ada", "another").unwrap(), 0);
    gives_up(s);
    assert!(s.take("ada", &id, at(7, 3)).unwrap() && !s.let_go("ada", &id, at(7, 2)).unwrap() && s.let_go("ada", &id, at(7, 3)).unwrap());
    let held = s.held_by("ada").unwrap().into_iter().filter(|h| h.clip == id).collect::<Vec<_>>();
    s.erase("ada", &held).unwrap();
}

#[test]
fn sqlite_holds() {
    let folder = tempfile::tempdir().unwrap();
    holds(&mut Store::open(&folder.path().join("store.sqlite")).unwrap());
}

/// One person under two folder names who sent the same clip under both, drawn by one lot: joined, the lot is there once and no mark is
/// lost.
#[test]
fn marks_of_one_clip_under_two_names_are_joined() {
    let folder = tempfile::tempdir().unwrap();
    let mut s = Store::open(&folder.path().join("store.sqlite")).unwrap();
    let r = report("Ada", "a", None);
    let id = &r.clip.id;
    let at = "2026-01-01T00:00:00Z";
    for owner in ["ada", "ada-l"] {
        s.record(owner, "k", "{}", &r, None).unwrap();
        s.add_marked(&[marked(owner, id, Kind::Drawn, at, "{}")]).unwrap();
    }
    s.add_marked(&[marked("ada-l", id, Kind::Marked, "2026-01-02T00:00:00Z", "{}")]).unwrap();
    s.move_result("ada-l", "ada", &r, "{}").unwrap();
    let left: Vec<_> = s.marked().unwrap().into_iter().map(|m| (m.owner, m.kind)).collect();
    assert_eq!(left, [("ada".to_string(), Kind::Drawn), ("ada".into(), Kind::Marked)]);
}

#[test]
fn postgres_holds_and_keeps_coaches_apart() {
    let cluster = Cluster::start();
    let url = cluster.create("results");
    // many machines come up at once on an empty database
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| drop(Postgres::open(&url, None).unwrap()));
        }
    });
    holds(&mut Postgres::open(&url, Some("mira")).unwrap());
    assert_eq!(Postgres::open(&url, Some("mira")).unwrap().marked().unwrap().len(), 2);
    assert_eq!(Postgres::open(&url, Some("jonas")).unwrap().marked().unwrap(), []);
    assert_eq!(Postgres::open(&url, Some("jonas")).unwrap().results().unwrap().len(), 0);
    tenants(&cluster, &url);
    // a newer schema is refused and left alone
    cluster.connect("results").batch_execute("INSERT INTO dawnsheet.schema_version VALUES (99)").unwrap();
    let refused = Postgres::open(&url, None).err().unwrap();
    assert!(matches!(&refused, Error::Installation(why) if why.contains("newer")), "{refused}");
    let rows: i64 = cluster.connect("results").query_one("SELECT count(*) FROM dawnsheet.result", &[]).unwrap().get(0);
    assert_eq!(rows, 2, "bob's and omar's");
}

/// Two coaches with logins of their own, the operator's store holding results of both.
fn tenants(cluster: &Cluster, url: &str) {
    let mut operator = cluster.connect("results");
    for coach in ["lena", "omar"] {
        operator
            .batch_execute(&format!("CREATE ROLE {coach} LOGIN PASSWORD '{PASSWORD}'; SELECT dawnsheet.admit_coach('{coach}')"))
            .unwrap();
        let mut s = Postgres::open(url, Some(coach)).unwrap();
        let r = report(coach, "d", None);
        assert!(s.take("student", &r.clip.id, at(1, 1)).unwrap());
        s.record_under(None, "student", "k", "{}", &r, Some(("m", "e", &attempt("student", &r, "k")))).unwrap();
        s.set_note("n", coach).unwrap();
        s.forget("someone", "asked").unwrap();
        s.give_verdict(&word("student", &r.clip.id, true, coach)).unwrap();
        s.add_marked(&[marked("student", &r.clip.id, Kind::Marked, "", "{}")]).unwrap();
        assert!(s.take("another", &r.clip.id, at(2, 1)).unwrap());
    }
    let login = cluster.url_of("lena", PASSWORD, cluster.port, "results");
    let mut own = Postgres::open(&login, None).unwrap();
    assert_eq!(own.results().unwrap().len(), 1, "her own");
    own.add_marked(&[marked("student", "another", Kind::Drawn, "", "{}")]).unwrap();
    assert_eq!(own.marked().unwrap().len(), 2, "her own login keeps her marks");
    let mut posing = Postgres::open(&login, Some("omar")).unwrap();
    assert_eq!(posing.results().unwrap().len(), 0, "not his, though she asks for his");
    assert_eq!(posing.marked().unwrap(), []);
    assert!(posing.add_marked(&[marked("student", "c", Kind::Marked, "", "{}")]).is_err(), "nor written under his name");
    let mut lena = postgres::Client::connect(&login, postgres::NoTls).unwrap();
    for table in ["seen", "result", "attempt", "verdict", "ruler", "forgotten", "note", "lease"] {
        let count: i64 = operator.query_one(&format!("SELECT count(DISTINCT coach) FROM dawnsheet.{table}"), &[]).unwrap().get(0);
        assert!(count >= 2, "{table} holds rows of both, or this proves nothing");
        let visible = lena.query(&format!("SELECT DISTINCT coach FROM dawnsheet.{table}"), &[]).unwrap();
        assert_eq!(visible.iter().map(|r| r.get::<_, String>(0)).collect::<Vec<_>>(), ["lena"], "{table}");
    }
    let changed = lena.execute("UPDATE dawnsheet.verdict SET note = 'mine' WHERE coach = 'omar'", &[]).unwrap();
    assert_eq!(changed, 0);
    let forged =
        "INSERT INTO dawnsheet.verdict (coach, owner, clip, fault, ours, agrees, note, made_at) VALUES ('omar', '', '', '', '', 1, '', '')";
    assert!(lena.execute(forged, &[]).unwrap_err().to_string().contains("db error"));
    for forbidden in [
        "UPDATE dawnsheet.result SET report = ''",
        "SELECT dawnsheet.admit_coach('lena')",
        "SET row_security = off; SELECT * FROM dawnsheet.result",
    ] {
        assert!(lena.batch_execute(forbidden).is_err(), "{forbidden}");
    }
    words_and_erasures_stay_apart(&mut own, &mut posing, url);
}

/// `own`: lena's login as herself, `posing`: her login that claims to be omar.
fn words_and_erasures_stay_apart(own: &mut dyn Results, posing: &mut dyn Results, url: &str) {
    let mut omar = Postgres::open(url, Some("omar")).unwrap();
    let id = report("omar", "d", None).clip.id;
    let held = omar.held_by("student").unwrap();
    assert!(held.len() == 1 && omar.verdicts().unwrap().len() == 1, "there is something to spoil");
    assert_eq!(posing.verdicts().unwrap(), []);
    assert_eq!(posing.take_back_verdict("student", &id).unwrap(), None);
    assert!(posing.give_verdict(&word("student", &id, false, "forged")).is_err());
    assert!(posing.forget("student", "spite").is_err() && !posing.welcome("someone").unwrap());
    posing.end_leases("another").unwrap();
    posing.erase("student", &held).unwrap();
    assert!(posing.record_under(None, "student", "k", "{}", &report("omar", "d", None), None).is_err());
    assert!(omar.result("student", &id).unwrap().is_some() && omar.forgotten("student").unwrap().is_none());
    assert_eq!(omar.verdicts().unwrap().iter().map(|v| v.note.as_str()).collect::<Vec<_>>(), ["omar"]);
    assert!(omar.forgotten("someone").unwrap().is_some() && omar.let_go("another", &id, at(2, 1)).unwrap());
    // her own student she may judge and erase
    own.give_verdict(&word("student", &id, false, "mine")).unwrap();
    assert_eq!(own.take_back_verdict("student", &id).unwrap().unwrap().note, "mine");
    own.forget("student", "asked").unwrap();
    own.end_leases("student").unwrap();
    let held = own.held_by("student").unwrap();
    own.erase("student", &held).unwrap();
    assert!(own.results().unwrap().is_empty() && own.verdicts().unwrap().is_empty() && own.forgotten("student").unwrap().is_some());
    assert_eq!(omar.results().unwrap().len(), 1);
}
