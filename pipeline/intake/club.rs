//! Which club, by a file's name or a sender's words: the words stand in the settings, in several languages.

use super::date;
use crate::report::types::ClubKind;
use crate::settings::Clubs;
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// A club as a text names it.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    pub kind: ClubKind,
    /// In plain words: "driver", "7 iron".
    pub words: String,
}

/// A run of letters or of digits, with where it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Token<'a> {
    text: &'a str,
    from: usize,
    to: usize,
}

impl Token<'_> {
    fn number(&self) -> Option<u32> {
        self.text.parse().ok()
    }
}

/// What may stand between a number and its club, as in "7er Eisen" and "7番アイアン".
const BETWEEN: [&str; 3] = ["er", "番", "번"];

/// Without case and accents: how words are compared.
fn bare(text: &str) -> String {
    text.nfd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).nfc().collect()
}

fn tokens(text: &str) -> Vec<Token<'_>> {
    let class = |c: char| if c.is_numeric() { 1 } else { u8::from(c.is_alphabetic() || c == 'ー') * 2 };
    let mut found: Vec<Token> = Vec::new();
    let mut last = 0;
    for (at, c) in text.char_indices() {
        let (now, end) = (class(c), at + c.len_utf8());
        match found.last_mut() {
            Some(t) if now == last && now != 0 => *t = Token { text: &text[t.from..end], from: t.from, to: end },
            _ if now != 0 => found.push(Token { text: &text[at..end], from: at, to: end }),
            _ => {}
        }
        last = now;
    }
    found
}

/// Numbers by which a kind of club goes (wedges: degrees); common practice, no source.
fn numbers(kind: ClubKind) -> std::ops::RangeInclusive<u32> {
    match kind {
        ClubKind::Driver => 1..=1,
        ClubKind::Wood => 2..=15,
        ClubKind::Hybrid => 1..=9,
        ClubKind::Iron => 1..=12,
        ClubKind::Wedge => 40..=70,
        ClubKind::Putter => 0..=0,
    }
}

/// The club that a text names. `None` where it names none, or several kinds.
pub fn named(text: &str, clubs: &Clubs) -> Option<Named> {
    let text = bare(text);
    let tokens = tokens(&text);
    let mut found: Vec<Named> = Vec::new();
    for (i, token) in tokens.iter().enumerate() {
        let bare_of = || BETWEEN.iter().find_map(|b| token.text.strip_prefix(b));
        let Some(kind) = kind_of(token.text, clubs).or_else(|| kind_of(bare_of()?, clubs)) else { continue };
        let before = tokens[..i].iter().rev().find(|t| !BETWEEN.contains(&t.text));
        let after = tokens.get(i + 1);
        let fits = |t: &&Token| t.number().is_some_and(|n| numbers(kind).contains(&n) || (kind == ClubKind::Wood && n == 1));
        // a letter alone means a club only with its number right beside it
        let single = token.text.chars().count() == 1;
        let near = |t: &&Token| fits(t) && (!single || t.to == token.from || t.from == token.to);
        let number = before.filter(near).or(after.filter(near)).and_then(Token::number);
        if single && number.is_none() {
            continue;
        }
        // the first of the woods is the driver
        let kind = if kind == ClubKind::Wood && number == Some(1) { ClubKind::Driver } else { kind };
        let words = match number.filter(|_| kind != ClubKind::Driver) {
            Some(n) => format!("{n} {}", kind.words()),
            None => kind.words().into(),
        };
        found.push(Named { kind, words });
    }
    let first = found.first()?.kind;
    // the one that says most, as of "iron 7 iron"
    found.iter().all(|n| n.kind == first).then(|| found.iter().max_by_key(|n| n.words.len()).cloned())?
}

fn kind_of(word: &str, clubs: &Clubs) -> Option<ClubKind> {
    let table = [
        (ClubKind::Driver, &clubs.driver),
        (ClubKind::Wood, &clubs.wood),
        (ClubKind::Hybrid, &clubs.hybrid),
        (ClubKind::Iron, &clubs.iron),
        (ClubKind::Wedge, &clubs.wedge),
        (ClubKind::Putter, &clubs.putter),
    ];
    table.into_iter().find(|(_, words)| words.iter().any(|w| bare(w) == word)).map(|(kind, _)| kind)
}

/// The club in a path below the student's folder; neither a date's digits nor the student's own name are taken for one.
pub fn in_file_name(path: &str, student: Option<&str>, clubs: &Clubs) -> Option<Named> {
    let below = path.split_once('/').map_or(path, |(_, rest)| rest);
    let below = below.rsplit_once('.').map_or(below, |(stem, _)| stem);
    let mut text = below.to_string();
    if let Some((span, _)) = date::in_name(below) {
        text.replace_range(span, "/");
    }
    let own = student.map(bare).unwrap_or_default();
    let own: Vec<&str> = tokens(&own).into_iter().map(|t| t.text).filter(|t| t.chars().count() > 1).collect();
    let text = bare(&text);
    let kept: String = tokens(&text).iter().filter(|t| own.contains(&t.text)).rev().fold(text.clone(), |mut all, t| {
        all.replace_range(t.from..t.to, "/");
        all
    });
    named(&kept, clubs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;

    fn club(path: &str, student: &str) -> Option<String> {
        in_file_name(path, Some(student), &Settings::default().clubs).map(|n| n.words)
    }

    #[test]
    fn clubs_are_read_from_file_names_in_several_spellings_and_languages() {
        for (name, says) in [
            ("7 iron.mp4", "7 iron"),
            ("7-Iron_2.mov", "7 iron"),
            ("24.11.2026 7er Eisen.mp4", "7 iron"),
            ("Eisen7.mp4", "7 iron"),
            ("fer 8 2026-11-24.mp4", "8 iron"),
            ("hierro 5.mp4", "5 iron"),
            ("Järn 6.mp4", "6 iron"),
            ("7i.mp4", "7 iron"),
            ("7番アイアン.mp4", "7 iron"),
            ("Driver.MOV", "driver"),
            ("2026-11-24 driver dtl.mp4", "driver"),
            ("Holz 1.mp4", "driver"),
            ("3w_20261124_181502.mp4", "3 wood"),
            ("bois 3.mp4", "3 wood"),
            ("4h.mp4", "4 hybrid"),
            ("Hybride 4.mp4", "4 hybrid"),
            ("56 wedge.mp4", "56 wedge"),
            ("driver/clip 3.mp4", "driver"),
        ] {
            assert_eq!(club(&format!("Ada Lind/{name}"), "Ada Lind").as_deref(), Some(says), "{name}");
        }
    }

    #[test]
    fn what_is_no_club_is_none() {
        for name in [
            "IMG_0042.MOV",
            "VID_20261124_181502.mp4",
            "2026-11-7 swing.mp4",
            "i.mp4",
            "w 3.mp4",
            "environment.mp4",
            "driver or 7 iron.mp4",
        ] {
            assert_eq!(club(&format!("Ada Lind/{name}"), "Ada Lind"), None, "{name}");
        }
        // names are no clubs, nor are a date's digits numbers of one
        assert_eq!(club("Anna Wood/Anna Wood 3.mp4", "Anna Wood"), None);
        assert_eq!(club("Ada/2026-11-07 eisen.mp4", "Ada").as_deref(), Some("iron"));
    }

    #[test]
    fn words_of_one_s_own_are_added_in_the_settings() {
        let settings = Settings::parse("[clubs]\niron = [\"rauta\"]").unwrap();
        assert_eq!(named("rauta 7", &settings.clubs).unwrap().words, "7 iron");
        assert_eq!(named("7 iron", &settings.clubs), None, "the list given is the list");
        let wrong = Settings::parse("[clubs]\niron = \"rauta\"").unwrap_err().to_string();
        assert!(wrong.contains("clubs.iron must be a list of words"), "{wrong}");
    }
}
