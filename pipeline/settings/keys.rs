//! Unknown keys are errors that name the key and the nearest legal one.

use crate::error::{Error, Result};

/// Checks that every key of `table` is in `legal`; `section` (may be empty) is named in the message.
pub fn check_keys(table: &toml::Table, legal: &[&str], section: &str) -> Result<()> {
    for key in table.keys() {
        if legal.contains(&key.as_str()) {
            continue;
        }
        let nearest = legal.iter().max_by(|a, b| strsim::jaro_winkler(a, key).total_cmp(&strsim::jaro_winkler(b, key)));
        let place = if section.is_empty() { String::new() } else { format!(" in [{section}]") };
        return Err(Error::Usage(format!("unknown key '{key}'{place}; did you mean '{}'?", nearest.unwrap_or(&"(none)"))));
    }
    Ok(())
}
