//! The night's page.

use super::bar::{Bar, bar};
use super::gather::{Entry, Gathered, Section, Upload};
use super::judged::{ByClip, Judged, Said, by_clip, judged, of_entries, on};
use super::parts::{Picture, VerdictView, asks_again, checks, fault_order, note, pictures, short_why, verdicts, view, working_on};
use super::pictures::{Mark, marks};
use super::since::Change;
use super::{letters, told, words};
use crate::batch::summary::{Place, Summary, why_not};
use crate::history::golfers::Question;
use crate::history::trend::{ClubClass, TRACKED, value};
use crate::history::verdicts::decided;
use crate::intake::names::UNASSIGNED;
use crate::place::OutFolder;
use crate::report::types::{FaultName, Root, Verdict};
use crate::report::{ReasonCode, printable};
use askama::Template;
use std::collections::{BTreeMap, BTreeSet};

/// A clip shown in full.
pub struct Item<'a> {
    pub rank: usize,
    pub anchor: String,
    pub page: &'a str,
    pub slug: &'a str,
    pub student: String,
    pub when: String,
    pub date_doubt: Option<String>,
    /// Of an earlier night.
    pub still_open: bool,
    /// As it was sent.
    pub file: String,
    pub view: &'static str,
    pub club: Option<String>,
    pub section: Section,
    pub verdicts: Vec<VerdictView>,
    pub why: Vec<String>,
    pub together: &'a [String],
    pub bars: Vec<Bar>,
    pub note: Option<String>,
    pub working_on: Option<String>,
    pub said: Vec<Said>,
    pub roots: &'a [Root],
    pub checks: Vec<&'static str>,
    pub since: Vec<String>,
    pub letter: Option<String>,
    pub pictures: Vec<Picture>,
}

/// A clip on one line.
pub struct Row {
    pub page: Option<String>,
    pub slug: String,
    pub student: String,
    pub meta: String,
    pub file: String,
    pub numbers: String,
    pub text: String,
    /// Where it stands, told in lists that do not say it.
    pub place: Option<Section>,
}

struct Group<'a> {
    section: Section,
    /// The student, where the page is sorted by students; with a link to their page.
    student: Option<Choice>,
    anchor: String,
    count: usize,
    items: Vec<Item<'a>>,
    rows: Vec<Row>,
}

struct Tally {
    section: Section,
    count: usize,
}

struct Choice {
    slug: String,
    name: String,
}

#[derive(Template)]
#[template(path = "index.html")]
pub struct Index<'a> {
    base: &'static str,
    live: bool,
    /// One student's clips together, in place of the order of need.
    by_student: bool,
    day: String,
    headline: String,
    subline: String,
    /// "3 of 11 judged", where anything asks.
    progress: Option<String>,
    accounted: String,
    tally: Vec<Tally>,
    notices: Vec<String>,
    uploads: &'a [Upload],
    students: Vec<Choice>,
    groups: Vec<Group<'a>>,
    /// Of the pictures on the page.
    legend: BTreeSet<Mark>,
    earlier: Vec<Row>,
    judged: Judged,
}

/// How a page is made: for whom, and in which order.
#[derive(Clone, Copy)]
pub struct Look {
    /// As the desk serves it.
    pub live: bool,
    /// One student's clips together, the student with the worst first, and the worst of them first.
    pub by_student: bool,
}

/// The page.
pub fn page<'a>(out: &OutFolder, all: &'a Gathered, night: Option<&Summary>, since: Option<&str>, look: Look) -> Index<'a> {
    let Look { live, by_student } = look;
    let current: Vec<&Entry> = all.entries.iter().filter(|e| e.current).collect();
    let given = by_clip(&all.verdicts);
    let mut legend = BTreeSet::new();
    let mut rank = 0;
    let mut groups = Vec::new();
    for section in Section::ALL {
        let inside: Vec<&&Entry> = current.iter().filter(|e| e.section == section).collect();
        let mut items = Vec::new();
        let mut rows = Vec::new();
        if section.needs_eye() {
            for e in &inside {
                rank += 1;
                let item = item(out, e, rank, of_entries(&given, &[e]));
                legend.extend(marks(e.report(), item.pictures.iter().map(|p| p.event)));
                items.push(item);
            }
        } else {
            rows.extend(inside.iter().map(|e| row(e)));
        }
        if section == Section::Question {
            rows.extend(all.questions.iter().map(|q| question(q, all)));
        }
        // uploads without a report of their own
        let bare = all.uploads.iter().filter(|u| u.section == section && (u.page.is_none() || section == Section::Repeat));
        rows.extend(bare.map(|u| Row {
            page: u.page.clone(),
            slug: u.owner.clone(),
            student: u.student.clone(),
            meta: String::new(),
            file: u.file.clone(),
            numbers: String::new(),
            text: u.note.clone(),
            place: None,
        }));
        let mut count = items.len() + rows.len();
        if section == Section::Skipped {
            count += skipped(night);
        }
        if count > 0 {
            groups.push(Group { section, student: None, anchor: section.key().into(), count, items, rows });
        }
    }
    // the same numbers as in the parts below: what the headline counts is what stands there
    let tally: Vec<Tally> = groups.iter().map(|g| Tally { section: g.section, count: g.count }).collect();
    if by_student {
        groups = students_groups(groups);
    }
    let earlier: Vec<Row> = {
        let mut old: Vec<&Entry> = all.entries.iter().filter(|e| !e.current).collect();
        old.sort_by(|a, b| super::gather::newest_first(a.report(), b.report()));
        old.into_iter().map(row_with_place).collect()
    };
    let mut names: BTreeMap<&str, String> = BTreeMap::new();
    for e in &current {
        names.entry(&e.stored.owner).or_insert_with(|| words::student(e.report().clip.student.as_deref()));
    }
    let mut students: Vec<Choice> = names.into_iter().map(|(slug, name)| Choice { slug: slug.into(), name }).collect();
    students.sort_by_cached_key(|c| c.name.to_lowercase());
    Index {
        base: "",
        live,
        by_student,
        day: day(all, since),
        headline: begun(night) + &headline(&current, all.questions.len()),
        subline: subline(&current, all.questions.len()),
        progress: progress(&current, &given),
        accounted: accounted(all, night, since),
        tally,
        notices: night.map(notices).unwrap_or_default().into_iter().chain(assumed_statures(&current)).collect(),
        uploads: &all.uploads,
        students,
        groups,
        legend,
        earlier,
        judged: judged(all),
    }
}

/// The same clips by student: the entries are in order of need, so each student's worst comes first, and so do the students.
fn students_groups(groups: Vec<Group<'_>>) -> Vec<Group<'_>> {
    let mut all: Vec<Group> = Vec::new();
    let mut of = |section: Section, slug: &str, name: &str| -> usize {
        all.iter().position(|g| g.student.as_ref().is_some_and(|s| s.slug == slug)).unwrap_or_else(|| {
            let student = Some(Choice { slug: slug.into(), name: name.into() });
            all.push(Group { section, student, anchor: format!("s-{slug}"), count: 0, items: Vec::new(), rows: Vec::new() });
            all.len() - 1
        })
    };
    let mut items = Vec::new();
    let mut rows = Vec::new();
    for g in groups {
        items.extend(g.items.into_iter().map(|i| (of(g.section, i.slug, &i.student), i)));
        rows.extend(g.rows.into_iter().map(|r| (of(g.section, &r.slug, &r.student), Row { place: Some(g.section), ..r })));
    }
    for (at, item) in items {
        all[at].items.push(item);
        all[at].count += 1;
    }
    for (at, row) in rows {
        all[at].rows.push(row);
        all[at].count += 1;
    }
    let mut rank = 0;
    for item in all.iter_mut().flat_map(|g| &mut g.items) {
        rank += 1;
        item.rank = rank;
    }
    all
}

fn day(all: &Gathered, since: Option<&str>) -> String {
    if let Some(since) = since {
        return format!("filmed since {}", words::day(since));
    }
    let newest = all.entries.iter().map(|e| e.stored.judged_at.as_str()).max().filter(|d| !d.is_empty());
    newest.map_or_else(String::new, words::day)
}

fn of(current: &[&Entry], section: Section) -> usize {
    current.iter().filter(|e| e.section == section).count()
}

/// That the night ended early, where it did: what follows it speaks of what was reached.
fn begun(night: Option<&Summary>) -> String {
    let Some(night) = night.filter(|n| n.interrupted || n.stopped.is_some()) else { return String::new() };
    let left = words::count(night.count(Place::Waiting), "upload waits", "uploads wait");
    format!("{}: {left}. ", if night.interrupted { "Interrupted" } else { "Stopped early" })
}

/// The one question about a student, leading to the newest of the clips that it is about.
fn question(q: &Question, all: &Gathered) -> Row {
    let odd = all.entries.iter().filter(|e| e.stored.owner == q.owner && q.odd.contains(&e.report().clip.id));
    let newest = odd.min_by(|a, b| super::gather::newest_first(a.report(), b.report()));
    Row {
        page: newest.map(|e| e.page.clone()),
        slug: q.owner.clone(),
        student: words::student(q.student.as_deref()),
        meta: "the student's clips".into(),
        file: String::new(),
        numbers: String::new(),
        text: printable(&q.text),
        place: None,
    }
}

fn headline(current: &[&Entry], questions: usize) -> String {
    match current.iter().filter(|e| e.section.needs_eye()).count() {
        0 if questions == 1 => "One question to settle.".into(),
        0 if questions > 1 => format!("{questions} questions to settle."),
        0 if current.is_empty() => "Nothing new.".into(),
        0 => "Nothing needs your eye.".into(),
        1 => "One clip needs your eye.".into(),
        n => format!("{n} clips need your eye."),
    }
}

fn subline(current: &[&Entry], questions: usize) -> String {
    let mut parts = Vec::new();
    let mut say = |section: Section, one: &str, many: &str| {
        let n = of(current, section);
        if n > 0 {
            parts.push(format!("{n} {}", if n == 1 { one } else { many }));
        }
    };
    say(Section::Flagged, "is flagged", "are flagged");
    say(Section::Borderline, "is borderline", "are borderline");
    say(Section::FilmAgain, "should be sent anew", "should be sent anew");
    say(Section::Question, "raises a question", "raise a question");
    say(Section::Clear, "is clear", "are clear");
    say(Section::OtherView, "shows another view", "show another view");
    say(Section::Failed, "failed", "failed");
    let open = current.iter().filter(|e| e.still_open).count();
    if open > 0 {
        parts.push(format!("{open} of them still open from earlier nights"));
    }
    if questions > 0 {
        parts.push(format!("the clips of {} raise a question", words::count(questions, "student", "students")));
    }
    if parts.is_empty() { String::new() } else { format!("{}.", parts.join(", ")) }
}

/// How many of the clips that need an eye the coach has judged, by a word or by measuring.
fn progress(current: &[&Entry], given: &ByClip) -> Option<String> {
    let asking: Vec<&&Entry> =
        current.iter().filter(|e| e.section.needs_eye() && super::desk::nothing_to_judge(e.report()).is_none()).collect();
    let measured = |e: &Entry| FaultName::ALL.iter().any(|f| decided(e.report(), *f).is_some());
    let judged = asking.iter().filter(|e| !on(given, e).is_empty() || measured(e)).count();
    (!asking.is_empty()).then(|| format!("{judged} of {} judged", asking.len()))
}

/// Uploads that were skipped on purpose, in this account or one that an earlier version kept.
fn skipped(night: Option<&Summary>) -> usize {
    night.map_or(0, |n| n.skipped + n.count(Place::Forgotten))
}

fn accounted(all: &Gathered, night: Option<&Summary>, since: Option<&str>) -> String {
    let n = words::count(all.uploads.len() + skipped(night), "upload", "uploads");
    match (night, since) {
        (Some(_), _) => {
            let earlier = all.uploads.iter().filter(|u| u.earlier).count();
            let below = if earlier > 0 { format!(", {earlier} of them among the earlier clips below") } else { String::new() };
            // a question about a student counts among the clips below, and is no upload
            let asked = match all.questions.len() {
                0 => String::new(),
                q => format!(", and {} about a student", words::count(q, "question", "questions")),
            };
            format!("All {n} in the inbox{below}{asked}")
        }
        (None, Some(_)) => format!("All {n} filmed since then"),
        (None, None) => format!("All {n} of the newest run"),
    }
}

fn notices(night: &Summary) -> Vec<String> {
    let mut all = Vec::new();
    if let Some(why) = &night.stopped {
        all.push(format!("The run had to stop: {}. What it had not reached is listed as waiting.", printable(why)));
    }
    if night.interrupted {
        all.push("The run was interrupted; start it again and it goes on where it stopped.".into());
    }
    all.extend(night.of_nobody().map(|why| words::sentence(&why) + "."));
    all.extend(night.disagreements.iter().map(|d| words::sentence(&printable(d)) + "."));
    if night.other_files > 0 {
        all.push(format!("{} in the inbox left alone: not clips.", words::count(night.other_files, "other file", "other files")));
    }
    all.extend(night.unreadable_folders.iter().map(|f| format!("A folder of the inbox cannot be read: {}", printable(f))));
    all
}

/// Of how many students no stature is known, where that is so: every centimetre of theirs is told by an assumed one. Clips
/// without a student are told of apart.
fn assumed_statures(current: &[&Entry]) -> Option<String> {
    let assumed = |e: &&&Entry| e.report().reasons.iter().any(|r| r.code == ReasonCode::StatureAssumed);
    let students: BTreeSet<&str> = current.iter().filter(assumed).map(|e| e.stored.owner.as_str()).filter(|o| *o != UNASSIGNED).collect();
    (!students.is_empty()).then(|| {
        let who = words::count(students.len(), "student", "students");
        format!("No stature is known of {who}: their centimetres go by an assumed one. stature_cm in the roster settles it.")
    })
}

fn item<'a>(out: &OutFolder, e: &'a Entry, rank: usize, said: Vec<Said>) -> Item<'a> {
    let report = e.report();
    let main = report.swings.iter().find(|s| s.main);
    let bars = main.map_or_else(Vec::new, |m| {
        let in_order = fault_order(report);
        let seen = in_order.iter().filter_map(|f| m.faults.get(f)).filter(|f| matches!(f.verdict, Verdict::Flagged | Verdict::Borderline));
        seen.filter_map(|f| bar(report, f.drivers.first()?)).collect()
    });
    let roots: &[Root] = main.map_or(&[], |m| &m.roots);
    Item {
        rank,
        anchor: format!("c-{}", e.page.trim_end_matches(".html")),
        page: &e.page,
        slug: &e.stored.owner,
        student: words::student(report.clip.student.as_deref()),
        when: words::day_of(&report.clip),
        date_doubt: words::date_doubt(&report.clip),
        still_open: e.still_open,
        file: printable(&report.clip.file),
        view: view(report),
        club: words::club(&report.clip),
        section: e.section,
        verdicts: verdicts(report),
        why: short_why(e),
        together: &e.together,
        bars,
        note: note(e),
        working_on: working_on(e),
        said,
        roots,
        checks: checks(report),
        since: since_lines(e),
        letter: if asks_again(e) { letters::film_again(report) } else { None },
        pictures: pictures(out, report, 4),
    }
}

/// Changes against the last clip: of the metrics that decided, and whatever is beyond the error.
fn since_lines(e: &Entry) -> Vec<String> {
    let main = e.report().swings.iter().find(|s| s.main);
    let decided = |metric: &str| {
        main.is_some_and(|m| m.faults.values().any(|f| f.verdict < Verdict::CannotMeasure && f.drivers.iter().any(|d| d == metric)))
    };
    // among the questions a worsening is the reason itself
    let told = |c: &Change| e.section == Section::Question && c.is_worse();
    let said: Vec<String> = e
        .past
        .changes
        .iter()
        .filter(|c| !told(c))
        .filter(|c| decided(c.metric.metric) || c.is_beyond_error())
        .map(|c| c.sentence())
        .collect();
    if e.past.first && main.is_some() && e.report().usable {
        let side = e
            .report()
            .golfer
            .as_ref()
            .filter(|_| e.past.other_way)
            .map_or_else(String::new, |g| format!(" and the {} side in front", g.lead_side.words()));
        let with = match ClubClass::of(&e.report().clip) {
            ClubClass::Unnamed => "without a club named",
            ClubClass::Long => "with a driver, wood or hybrid",
            ClubClass::Short => "with an iron or wedge",
        };
        return vec![format!("The student's first {} clip {with}{side}: nothing to compare with yet.", view(e.report()))];
    }
    said
}

/// A clip on one line with its leading numbers, or for a failed one its reason.
pub fn row(e: &Entry) -> Row {
    let report = e.report();
    let tracked = [("hip", 0), ("elbow", 2), ("head", 3), ("tempo", 4)].map(|(name, i)| (name, TRACKED[i].metric));
    let numbers: Vec<String> = tracked
        .into_iter()
        .chain([("pelvis", "pelvis_toward_ball_impact_cm")])
        .filter_map(|(name, metric)| {
            value(report, metric)?;
            Some(format!("{name} {}", told::told(report, metric)?))
        })
        .collect();
    let text = match e.section {
        Section::Failed | Section::Quarantined => {
            let reason = report.reasons.first();
            reason.map_or_else(String::new, |r| format!("{}: {}.", words::sentence(&r.text), r.advice))
        }
        // meant so, and told why
        Section::OtherView => why_not(report).map_or_else(String::new, |why| words::sentence(&printable(why)) + "."),
        _ => String::new(),
    };
    Row {
        page: Some(e.page.clone()),
        slug: e.stored.owner.clone(),
        student: words::student(report.clip.student.as_deref()),
        meta: format!("{}, {}", words::day_of(&report.clip), view(report)),
        file: printable(&report.clip.file),
        numbers: numbers.join(", "),
        text,
        place: None,
    }
}

/// The same with its place.
pub fn row_with_place(e: &Entry) -> Row {
    Row { place: Some(e.section), ..row(e) }
}
