//! A table for spreadsheets: one line a clip and quantity of the main swing, with its 95 % interval.

use crate::history::trend::{csv_field, view_words};
use crate::report::Report;
use crate::report::types::Metric;

const HEADER: &str = "student,clip,captured,club,view,quantity,value,unit,low,high,read_from,why_missing\n";

/// The table. Quantities without a value have a reason instead; a clip without a swing has one line with its reason.
pub fn table(reports: &[Report]) -> String {
    let mut all = String::from(HEADER);
    for r in reports {
        let text = |t: Option<&str>| csv_field(t.unwrap_or_default());
        let clip = &r.clip;
        let view = r.view.as_ref().map_or("", |v| view_words(v.kind));
        let start = format!(
            "{},{},{},{},{view}",
            text(clip.student.as_deref()),
            clip.id,
            text(clip.captured.as_deref()),
            text(clip.club.as_deref())
        );
        let Some(main) = r.swings.iter().find(|s| s.main) else {
            let why = r.reasons.first().map(|reason| reason.text.as_str());
            all.push_str(&format!("{start},,,,,,,{}\n", text(why)));
            continue;
        };
        for (name, metric) in &main.metrics {
            let rest = match metric {
                Metric::Value(m) => {
                    let from = serde_json::to_value(m.from).ok().and_then(|v| v.as_str().map(String::from)).unwrap_or_default();
                    format!("{},{},{},{},{from},", m.value, csv_field(&m.unit), m.low, m.high)
                }
                Metric::Missing { why, .. } => format!(",,,,,{}", csv_field(why)),
            };
            all.push_str(&format!("{start},{name},{rest}\n"));
        }
    }
    all
}
