//! When a clip was filmed: from its file name or the file's own time, where nothing better is known.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use std::ops::Range;

/// A date (with a time of day, where one follows) in a file name: `20260412`, `2026-04-12`, `20260412_183015`, `12.4.2026`…
/// ISO 8601.
pub fn from_file_name(name: &str) -> Option<String> {
    in_name(name).map(|(_, date)| date)
}

/// As [`from_file_name`], with where it stands.
pub fn in_name(name: &str) -> Option<(Range<usize>, String)> {
    let bytes = name.as_bytes();
    for start in 0..bytes.len() {
        if start > 0 && bytes[start - 1].is_ascii_digit() {
            continue;
        }
        let Some((date, used)) = date_at(&bytes[start..]).or_else(|| day_first(&bytes[start..])) else { continue };
        let rest = &bytes[start + used..];
        let time = rest.first().filter(|b| matches!(b, b'_' | b'-' | b'T' | b' ')).and_then(|_| time_at(&rest[1..]));
        return match time {
            Some((h, m, s)) => {
                let at = DateTime::new(date.year(), date.month(), date.day(), h, m, s, 0).ok()?;
                Some((start..start + used + 7, at.to_string()))
            }
            None => Some((start..start + used, date.to_string())),
        };
    }
    None
}

/// Day, month and year of four digits. With points the day is first (common practice); with others a date of which nobody
/// knows which is the month is none.
fn day_first(b: &[u8]) -> Option<(Date, usize)> {
    let (first, one) = short(b)?;
    let sign = *b.get(one).filter(|s| matches!(s, b'.' | b'-' | b'_'))?;
    let (second, two) = short(&b[one + 1..])?;
    let at = one + 1 + two;
    if b.get(at) != Some(&sign) || b.get(at + 5).is_some_and(u8::is_ascii_digit) {
        return None;
    }
    let year = number(b.get(at + 1..at + 5)?).filter(|y| (2000..2100).contains(y))?;
    let (day, month) = match (sign, first, second) {
        (b'.', ..) => (first, second),
        _ if first == second || first > 12 => (first, second),
        _ if second > 12 => (second, first),
        _ => return None,
    };
    Some((Date::new(year, month as i8, day as i8).ok()?, at + 5))
}

/// A number of one or two digits, and how many.
fn short(b: &[u8]) -> Option<(i16, usize)> {
    let digits = b.iter().take(3).take_while(|d| d.is_ascii_digit()).count();
    if digits == 0 || digits > 2 { None } else { Some((number(&b[..digits])?, digits)) }
}

fn number(digits: &[u8]) -> Option<i16> {
    digits.iter().all(u8::is_ascii_digit).then(|| digits.iter().fold(0, |n, d| n * 10 + i16::from(d - b'0')))
}

fn date_at(b: &[u8]) -> Option<(Date, usize)> {
    let year = number(b.get(0..4)?).filter(|y| (2000..2100).contains(y))?;
    let dashed = matches!(b.get(4), Some(b'-' | b'_' | b'.'));
    let (m, d, used) = if dashed { (b.get(5..7)?, b.get(8..10)?, 10) } else { (b.get(4..6)?, b.get(6..8)?, 8) };
    if dashed && b.get(7) != b.get(4) || b.get(used).is_some_and(u8::is_ascii_digit) {
        return None;
    }
    Some((Date::new(year, number(m)? as i8, number(d)? as i8).ok()?, used))
}

fn time_at(b: &[u8]) -> Option<(i8, i8, i8)> {
    let (h, m, s) = (number(b.get(0..2)?)?, number(b.get(2..4)?)?, number(b.get(4..6)?)?);
    (h < 24 && m < 60 && s < 60 && !b.get(6).is_some_and(u8::is_ascii_digit)).then_some((h as i8, m as i8, s as i8))
}

/// The file's modification time, ISO 8601, whole seconds UTC.
pub fn from_mtime(time: std::time::SystemTime) -> Option<String> {
    let stamp = Timestamp::try_from(time).ok()?;
    Timestamp::from_second(stamp.as_second()).ok().map(|t| t.to_string())
}

/// A container's creation time, ISO 8601, whole seconds UTC; `None` for the zero times that some muxers write.
pub fn from_container(text: &str) -> Option<String> {
    let stamp: Timestamp = text.parse().ok()?;
    // 1904 and 1970 are what "unset" looks like
    (stamp.as_second() > 946_684_800).then(|| Timestamp::from_second(stamp.as_second()).ok().map(|t| t.to_string())).flatten()
}

/// Checks a date written by hand: a day or a day with time, ISO 8601.
pub fn written(text: &str) -> Option<String> {
    let ok = text.parse::<Date>().is_ok() || text.parse::<DateTime>().is_ok() || text.parse::<Timestamp>().is_ok();
    ok.then(|| text.to_string())
}

/// The moment of an ISO 8601 date, date and time, or instant; what names no zone is of this machine's, a date its first
/// moment. `None` where it is none of them.
pub fn instant(text: &str) -> Option<Timestamp> {
    let here = || text.parse::<DateTime>().ok()?.to_zoned(TimeZone::system()).ok().map(|z| z.timestamp());
    text.parse().ok().or_else(here)
}

/// The day of an ISO 8601 date, date and time, or instant by this machine's clock: the one that every page shows, that trends
/// count and that `--since` means. `None` where it is none of them.
pub fn local_day(text: &str) -> Option<Date> {
    let instant = text.parse::<Timestamp>().ok().map(|t| t.to_zoned(TimeZone::system()).date());
    instant.or_else(|| text.parse::<DateTime>().ok().map(|d| d.date()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_phones_and_people_give_their_date() {
        assert_eq!(from_file_name("VID_20260412_183015.mp4").as_deref(), Some("2026-04-12T18:30:15"));
        assert_eq!(from_file_name("7 iron 2026-04-12.mov").as_deref(), Some("2026-04-12"));
        for dotted in ["24.11.2026.mp4", "driver 24.11.2026 2.mp4", "24-11-2026.mp4", "11-24-2026.mp4", "24_11_2026_7i.mp4"] {
            assert_eq!(from_file_name(dotted).as_deref(), Some("2026-11-24"), "{dotted}");
        }
        assert_eq!(from_file_name("4.5.2026.mp4").as_deref(), Some("2026-05-04"));
        for none in ["4-5-2026.mp4", "31.02.2026.mp4", "124.11.2026.mp4", "24.11.20261.mp4", "24.11-2026.mp4", "IMG_0042.MOV"] {
            assert_eq!(from_file_name(none), None, "{none}");
        }
        assert_eq!(from_file_name("IMG_4711.MOV"), None);
        assert_eq!(from_file_name("20261399.mp4"), None);
        assert_eq!(from_file_name("120260412.mp4"), None);
    }

    #[test]
    fn unset_container_times_do_not_count() {
        assert_eq!(from_container("1970-01-01T00:00:00.000000Z"), None);
        assert_eq!(from_container("2026-04-12T18:30:15.250000Z").as_deref(), Some("2026-04-12T18:30:15Z"));
    }
}
