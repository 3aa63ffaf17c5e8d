//! What is heard: a strike where it is, nothing else for one, and no sound that harms what is seen. The sound is made with ffmpeg.

use crate::support::{Place, at_once, ffmpeg, fixture, repository};
use dawnsheet::report::types::{EventFrom, PlaybackSource, Struck};
use dawnsheet::report::{ReasonCode, Report};

const CLIP: &str = "Priya Raman/2026-11-24 7 iron.mp4";

/// The clip's pictures as they are, with this sound beside them.
fn with_sound(place: &Place, student: &str, ending: &str, sound: &[&str], codec: &[&str]) {
    let (clip, to) = (fixture(CLIP), place.at(&format!("{student}/clip.{ending}")));
    let from = [&["-i", clip.to_str().unwrap()], sound, &["-map", "0:v", "-map", "1:a", "-c:v", "copy"], codec, &[to.to_str().unwrap()]];
    ffmpeg(&from.concat());
}

/// When the truth's ball leaves.
fn impact() -> f64 {
    let text = std::fs::read_to_string(repository("fixtures/truth/wing_face_on_60.json")).unwrap();
    serde_json::from_str::<serde_json::Value>(&text).unwrap()["events"]["impact"].as_f64().unwrap()
}

/// Faint noise, and a burst of it that sets in at this time and falls by a factor of e every 5 ms; `loud` of full scale.
fn burst(at: f64, loud: f64) -> String {
    format!("aevalsrc='(random(0)-.5)*(0.002+{loud}*gte(t,{at})*exp(-(t-{at})*200*gte(t,{at})))':s=48000:d=4")
}

fn of<'a>(reports: &'a [Report], student: &str) -> &'a Report {
    reports.iter().find(|r| r.clip.student.as_deref() == Some(student)).unwrap_or_else(|| panic!("{student}"))
}

#[test]
fn a_strike_is_heard_where_it_is_and_no_sound_changes_what_is_seen() {
    let place = Place::new();
    place.copy(&fixture(CLIP), "silent film/clip.mp4");
    let (late, aac) = (0.03, ["-c:a", "aac", "-b:a", "64k"]);
    let lavfi = |source: &str| ["-f".to_string(), "lavfi".into(), "-i".into(), source.to_string()];
    let put = |student: &str, ending: &str, source: &str, codec: &[&str]| {
        let from = lavfi(source);
        with_sound(&place, student, ending, &from.each_ref().map(String::as_str), codec);
    };
    put("strike", "mp4", &burst(impact() + late, 0.8), &aac);
    put("strike, stereo 44.1", "mp4", &burst(impact() + late, 0.8), &["-c:a", "aac", "-ac", "2", "-ar", "44100"]);
    put("elsewhere", "mp4", &burst(impact() - 0.5, 0.8), &aac);
    put("hum", "mp4", "sine=frequency=200:sample_rate=48000:duration=4", &aac);
    put("eight channels", "mov", &burst(impact() + late, 0.8), &["-c:a", "pcm_s24le", "-ac", "8", "-ar", "192000"]);
    put("bytes", "mov", "anoisesrc=r=8000:d=4", &["-c:a", "pcm_u8", "-ar", "8000"]);
    put("an hour of silence", "mp4", "anullsrc=r=8000:cl=mono:d=3600", &["-c:a", "aac", "-b:a", "8k"]);
    // sound of another kind than its header says: bits of it turned over
    put("broken", "mov", &burst(impact(), 0.8), &["-c:a", "pcm_s16le"]);
    let path = place.at("broken/clip.mov");
    let mut bytes = std::fs::read(&path).unwrap();
    let at = bytes.windows(4).rposition(|w| w == b"sowt").expect("the sound's kind");
    bytes[at..at + 24].fill(0xFF);
    std::fs::write(&path, bytes).unwrap();

    assert_eq!(place.run(&["--model", "fast", "--settings", &at_once(&place)]).code, 0);
    let reports = place.reports();
    assert_eq!(reports.len(), 9);
    let plain = of(&reports, "silent film");
    for r in &reports {
        let (a, b) = (&plain.swings[0], &r.swings[0]);
        let who = r.clip.student.as_deref().unwrap();
        assert!(r.usable && a.metrics == b.metrics && a.faults == b.faults && a.events == b.events, "{who}: what is seen is the same");
        assert_eq!(r.swings.len(), plain.swings.len(), "{who}");
    }
    let heard = |student: &str| -> Option<f64> {
        let because = &of(&reports, student).swings[0].strike.because;
        because.split("a strike is heard at ").nth(1)?.split(' ').next()?.parse().ok()
    };
    for student in ["strike", "strike, stereo 44.1", "eight channels"] {
        let at = heard(student).unwrap_or_else(|| panic!("{student}: nothing heard"));
        assert!((at - impact() - late).abs() < 0.011, "{student}: heard at {at}, struck at {}", impact() + late);
    }
    for student in ["silent film", "elsewhere", "hum", "bytes", "an hour of silence"] {
        assert_eq!(heard(student), None, "{student}");
    }
    // of one strike nobody can tell how far sound and pictures lie apart: the time stays that of the picture
    assert!(reports.iter().all(|r| r.swings[0].events.impact.unwrap().from != EventFrom::Sound));
    assert_eq!(of(&reports, "strike").swings[0].strike.value, Struck::Yes);
    // the page shows the level where there is one
    let page = |student: &str| {
        let id = &of(&reports, student).clip.id;
        let mut all = std::fs::read_dir(place.out().join("sheet/clip")).unwrap().flatten();
        std::fs::read_to_string(all.find(|e| e.file_name().to_string_lossy().contains(id.as_str())).unwrap().path()).unwrap()
    };
    assert!(page("strike").contains("Sound around impact") && !page("silent film").contains("Sound around impact"));
}

/// Pictures slowed fourfold. Beside sound at life speed the factor is known to a hundredth and the strike is heard; sound that was
/// slowed with them, or none, leaves it an estimate.
#[test]
fn sound_at_life_speed_beside_slowed_pictures_tells_how_slow_they_are() {
    const SLOWER: f64 = 4.0;
    let place = Place::new();
    let clip = fixture(CLIP);
    let pictures = ["-filter:v", "setpts=4*PTS", "-r", "15", "-c:v", "libx264", "-preset", "veryfast", "-crf", "16", "-c:a", "aac"];
    let put = |student: &str, sound: Option<&str>, shaped: &[&str]| {
        let to = place.at(&format!("{student}/clip.mp4"));
        let lavfi = sound.map(|s| ["-f", "lavfi", "-i", s]);
        let from = ["-i", clip.to_str().unwrap()];
        ffmpeg(&[&from[..], lavfi.as_ref().map_or(&[][..], |l| &l[..]), &pictures, shaped, &[to.to_str().unwrap()]].concat());
    };
    let sound = burst(impact() + 0.02, 0.8);
    put("life", Some(&sound), &[]);
    put("stretched", Some(&sound), &["-filter:a", "atempo=0.5,atempo=0.5"]);
    put("silent", None, &["-an"]);
    assert_eq!(place.run(&["--model", "fast", "--settings", &at_once(&place)]).code, 0);
    let reports = place.reports();
    let unknown = |r: &Report| r.reasons.iter().any(|reason| reason.code == ReasonCode::PlaybackUnknown);
    let (life, silent) = (of(&reports, "life"), of(&reports, "silent"));
    let factor = &life.video.as_ref().unwrap().playback_factor;
    assert!((factor.value / SLOWER - 1.0).abs() < 0.02 && factor.source == PlaybackSource::Sound && !unknown(life), "{factor:?}");
    let because = &life.swings[0].strike.because;
    let heard: f64 = because.split("a strike is heard at ").nth(1).and_then(|b| b.split(' ').next()?.parse().ok()).expect(because);
    assert!((heard / SLOWER - impact() - 0.02).abs() < 0.012, "{because}");
    for r in [silent, of(&reports, "stretched")] {
        let factor = &r.video.as_ref().unwrap().playback_factor;
        assert!(factor.source == PlaybackSource::Estimated && unknown(r), "{factor:?}");
        // a ratio needs no factor, and durations lie within what an estimate leaves open
        let wide = |r: &Report| r.swings[0].metrics["downswing_s"].measured().map(|m| m.high - m.low).unwrap();
        assert!(wide(r) > 2.0 * wide(life), "{} {}", wide(r), wide(life));
    }
}
