//! The words that all share: the report's types, its JSON and schema, the reasons.

pub mod reasons;
pub mod types;

pub use reasons::{Again, Reason, ReasonCode, Severity};
pub use types::Report;

impl Report {
    /// The document as written: pretty JSON with a final newline.
    pub fn to_json(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).expect("invariant: string keys and finite numbers only");
        text.push('\n');
        text
    }
}

/// The JSON Schema of the report, generated from its types.
pub fn json_schema() -> String {
    let mut text = serde_json::to_string_pretty(&schemars::schema_for!(Report)).expect("invariant: a schema is JSON");
    text.push('\n');
    text
}

/// Text without control characters.
pub fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{FFFD}' } else { c }).collect()
}
