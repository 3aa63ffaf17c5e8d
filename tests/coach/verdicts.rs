//! The coach's verdicts: which count, what they say of the flags, the command, and where the pages show them.

use crate::support::{self, Builder, dawnsheet, out_folder};
use dawnsheet::history::Store;
use dawnsheet::history::verdicts::{Given, Share, standing};
use dawnsheet::intake::names::slug;
use dawnsheet::report::types::{FaultName, Verdict};
use dawnsheet::sheet;
use std::path::Path;

const DAY: &str = "2026-04-12";

fn given(clip: &str, fault: FaultName, ours: Verdict, agrees: bool) -> Given {
    Given { owner: "ada-1".into(), clip: clip.into(), fault, ours, agrees, note: String::new(), made_at: String::new() }
}

#[test]
fn the_latest_word_counts_and_only_flags_count_as_flags() {
    use FaultName::{ChickenWing, HeadDrift, Sway};
    use Verdict::{Borderline, CannotMeasure, Clear, Flagged};
    let mut all = vec![given("a", Sway, Flagged, false), given("a", Sway, Flagged, true)];
    all.extend((0..8).map(|i| given(&format!("b{i}"), Sway, Flagged, i > 1)));
    all.push(given("a", ChickenWing, Flagged, false));
    all.push(given("c", ChickenWing, Borderline, false));
    all.push(given("c", HeadDrift, Clear, true));
    all.push(given("d", HeadDrift, Clear, false));
    all.push(given("e", Sway, CannotMeasure, false));
    let s = standing(&all);
    assert_eq!(s.flags, Share { right: 7, judged: 10 });
    assert_eq!(s.by_fault, [(Sway, Share { right: 7, judged: 9 }), (ChickenWing, Share { right: 0, judged: 1 })]);
    let missed: Vec<(&str, FaultName)> = s.missed.iter().map(|g| (g.clip.as_str(), g.fault)).collect();
    assert_eq!(missed, [("e", Sway), ("d", HeadDrift)], "newest first");
    // the score interval for 7 of 10 by the formula (Wilson 1927) worked through by hand: z² = 3.8415,
    // (0.7 + 0.19207 ± 1.95996·√(0.021 + 0.0096036)) ÷ 1.38415
    let (low, high) = s.flags.interval();
    assert!((low - 0.39678).abs() < 1e-4 && (high - 0.89221).abs() < 1e-4, "{low} {high}");
    assert_eq!(standing(&[]).flags.judged, 0);
}

#[test]
fn the_store_keeps_takes_back_and_erases() {
    let folder = tempfile::tempdir().unwrap();
    let (_, mut store) = out_folder(folder.path());
    let mut word = given("c1", FaultName::Sway, Verdict::Flagged, true);
    word.note = "näher am Fuß; \"quoted\"".into();
    store.give_verdict(&word).unwrap();
    store.give_verdict(&given("c1", FaultName::HeadDrift, Verdict::Clear, false)).unwrap();
    store.give_verdict(&given("c2", FaultName::Sway, Verdict::Flagged, false)).unwrap();
    let kept = store.verdicts().unwrap();
    assert_eq!(kept.len(), 3);
    assert_eq!(Given { made_at: String::new(), ..kept[0].clone() }, word);
    assert!(kept[0].made_at.parse::<jiff::Timestamp>().is_ok());
    let taken = store.take_back_verdict("ada-1", "c1").unwrap().unwrap();
    assert_eq!(taken.fault, FaultName::HeadDrift, "the last one on this clip, not on another");
    assert!(store.take_back_verdict("someone-else", "c1").unwrap().is_none());
    assert_eq!(store.verdicts().unwrap().len(), 2);
}

fn reopened(root: &Path) -> Vec<Given> {
    Store::open(&root.join("dawnsheet.sqlite")).unwrap().verdicts().unwrap()
}

#[test]
fn the_command_finds_the_clip_and_says_what_is_unclear() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let (_, mut store) = out_folder(root);
    let (owner, id) = Builder::new(1, "Ada", DAY).sway(0.95, 7.5).record(&mut store);
    let (_, both) = Builder::new(2, "Ada", DAY).record(&mut store);
    let (other, _) = Builder::new(2, "Bo", DAY).record(&mut store);
    let (_, broken) = Builder::new(3, "Cy", DAY).failed(dawnsheet::report::ReasonCode::NoSwing).record(&mut store);
    drop(store);
    let run = |more: &[&str]| {
        let mut all = vec!["verdict", "--out", root.to_str().unwrap()];
        all.extend(more);
        dawnsheet(&all)
    };
    let told = |more: &[&str], words: &str| {
        let ran = run(more);
        assert_eq!(ran.code, 2, "{more:?}: {}{}", ran.stdout, ran.stderr);
        assert!(ran.stderr.contains(words), "{more:?}: {}", ran.stderr);
    };
    // without --fault the worst is meant; a prefix is enough
    let ran = run(&[&id[..6], "agree", "--note", "clearly"]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    assert!(ran.stdout.contains("Ada: sway flagged, you agree"), "{}", ran.stdout);
    assert_eq!(run(&[&id, "disagree", "--fault", "chicken-wing"]).code, 0);
    let kept = reopened(root);
    assert_eq!((kept[0].owner.as_str(), kept[0].ours, kept[0].note.as_str()), (owner.as_str(), Verdict::Flagged, "clearly"));
    assert_eq!((kept[1].fault, kept[1].ours, kept[1].agrees), (FaultName::ChickenWing, Verdict::Clear, false));

    told(&["ffffffffffff", "agree"], "no judged clip's id begins with ffffffffffff");
    told(&["../x", "agree"], "neither a file nor a student is called so");
    told(&["", "agree"], "neither a file nor a student is called so");
    told(&[&both, "agree"], &format!("--student {other}"));
    told(&[&both, "agree", "--student", "Dora"], "not of a student 'Dora'");
    told(&[&broken, "disagree"], "--fault");
    told(&[&id, "maybe"], "agree");
    assert_eq!(run(&[&both, "agree", "--fault", "sway", "--student", "bo"]).code, 0);
    assert_eq!(reopened(root).last().unwrap().owner, other);
    assert_eq!(run(&[&broken, "disagree", "--fault", "sway"]).code, 0);
    assert_eq!(reopened(root).last().unwrap().ours, Verdict::CannotMeasure);
    // ids that share their first digit are named
    let shared: Vec<char> = [&id, &both, &broken].iter().filter_map(|i| i.chars().next()).collect();
    if let Some(first) = shared.iter().find(|c| shared.iter().filter(|d| d == c).count() > 1) {
        told(&[&first.to_string(), "agree"], "write more of the id");
    }
    // by file name, with and without its folder and ending, and by student; several are named with their ids
    for called in [format!("Ada/{DAY}.mp4"), "ada".into()] {
        told(&[&called, "agree"], &both);
    }
    assert_eq!(run(&["Bo", "agree", "--fault", "sway"]).code, 0);
    assert_eq!(run(&[&format!("{DAY}.MP4"), "disagree", "--student", "CY", "--fault", "sway"]).code, 0);
    // the sheet was written again
    let page = std::fs::read_to_string(root.join("sheet/index.html")).unwrap();
    assert!(page.contains("By your verdicts 1 of 1 flag was right: 100 % (21 to 100 %). You found 2 faults that the program did not."));
}

#[test]
fn the_pages_say_what_was_judged_and_what_the_student_works_on() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let (owner, id) = Builder::new(1, "Ada", DAY).sway(0.95, 7.5).working_on("a quieter head <i>").record(&mut store);
    let (_, clear) = Builder::new(2, "Ada", "2026-04-13").working_on("a quieter head <i>").record(&mut store);
    let read = |page: &str| std::fs::read_to_string(out.root().join("sheet").join(page)).unwrap();
    sheet::write(&out, &store, None, None).unwrap();
    assert!(read("index.html").contains("you have judged no flag"));
    assert!(!read(&format!("student/{owner}.html")).contains("Your verdicts"));
    let mut say = |clip: &str, fault, ours, agrees, note: &str| {
        let word = Given { owner: owner.clone(), note: note.into(), ..given(clip, fault, ours, agrees) };
        store.give_verdict(&word).unwrap();
    };
    say(&id, FaultName::Sway, Verdict::Flagged, true, "");
    say(&clear, FaultName::ChickenWing, Verdict::Clear, false, "folds <script>late");
    sheet::write(&out, &store, None, None).unwrap();
    let index = read("index.html");
    assert!(index.contains("By your verdicts 1 of 1 flag was right: 100 % (21 to 100 %)"));
    assert!(index.contains("What the program missed") && index.contains("Chicken wing clear: you disagree"));
    assert!(!index.contains("<script>late"));
    let student = read(&format!("student/{owner}.html"));
    assert!(student.contains("Your verdicts") && student.contains("Sway flagged: you agree"));
    assert!(student.contains("folds &#60;script&#62;late"));
    assert!(read(&format!("clip/{id}.html")).contains("Sway flagged: you agree"));
    for page in [index, student, read(&format!("clip/{clear}.html"))] {
        assert!(page.contains("a quieter head &#60;i&#62;"));
    }
    assert_eq!(owner, slug(Some("Ada")));
}

#[test]
fn what_a_student_works_on_follows_the_roster_without_judging_again() {
    use dawnsheet::batch::key;
    use dawnsheet::intake::Brief;
    use dawnsheet::judge::Identity;
    use dawnsheet::pose::models::{ModelChoice, Models};
    use dawnsheet::settings::Settings;
    let (models, settings) = (Models::locate(), Settings::default());
    let made = |working_on: Option<&str>, club: &str| {
        let brief = Brief { working_on: working_on.map(Into::into), club: Some(club.into()), ..Brief::default() };
        let identity = Identity { sha256: support::builder::sha(1), bytes: 1, brief };
        (key(&identity, ModelChoice::Accurate, &models, &settings), serde_json::to_string(&identity).unwrap())
    };
    let (none, plain) = made(None, "driver");
    let (sway, told) = made(Some("sway"), "driver");
    assert_eq!(none, sway);
    assert_ne!(none, made(None, "7 iron").0);
    assert!(!plain.contains("working_on"), "what was stored before reads as it did: {plain}");

    let folder = tempfile::tempdir().unwrap();
    let (_, mut store) = out_folder(folder.path());
    let (owner, id) = Builder::new(1, "Ada", DAY).record(&mut store);
    let before = store.results().unwrap().remove(0);
    store.refresh_identity(&owner, &id, &told).unwrap();
    let after = store.results().unwrap().remove(0);
    assert_eq!((after.1, after.0.judged_at), (told, before.0.judged_at));
}
