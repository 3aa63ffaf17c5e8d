//! How a database is named without its password on a command line: PostgreSQL's own service file and password file, as its
//! documentation has them ("The Connection Service File", "The Password File"), and variables.

use crate::error::{Error, Result};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tokio_postgres::Config;
use tokio_postgres::config::Host;

/// The service that is named instead of an address: `service=night`, or `postgresql:///?service=night`.
pub(super) fn service(text: &str) -> Option<&str> {
    let name = text.strip_prefix("service=").or_else(|| {
        let query = text.strip_prefix("postgresql:///?").or_else(|| text.strip_prefix("postgres:///?"))?;
        query.strip_prefix("service=")
    })?;
    Some(name.trim())
}

fn at_home(variable: &str, usual: &str) -> Option<PathBuf> {
    let named = std::env::var_os(variable).filter(|v| !v.is_empty()).map(PathBuf::from);
    named.or_else(|| Some(PathBuf::from(std::env::var_os("HOME")?).join(usual)))
}

/// What the service file says of a service, as `key = value` pairs in its order. Errors: usage.
pub(super) fn of_service(name: &str) -> Result<Vec<(String, String)>> {
    let path = at_home("PGSERVICEFILE", ".pg_service.conf");
    let path = path.ok_or_else(|| Error::Usage("no service file: PGSERVICEFILE names none, and there is no home folder".into()))?;
    let text = std::fs::read_to_string(&path)
        .map_err(|e| Error::Usage(format!("the service file {} cannot be read ({e}): PGSERVICEFILE may name another", path.display())))?;
    let pairs = pairs_of(&text, name).ok_or_else(|| {
        Error::Usage(format!("the service file {} has no section [{name}]: write one, with host, dbname and user", path.display()))
    })?;
    if pairs.iter().any(|(key, _)| key == "password") {
        only_ours(&path)?;
    }
    Ok(pairs)
}

fn pairs_of(text: &str, name: &str) -> Option<Vec<(String, String)>> {
    let lines = || text.lines().map(str::trim).filter(|l| !l.is_empty() && !l.starts_with('#'));
    let heading = |line: &str| line.strip_prefix('[').and_then(|l| l.strip_suffix(']')).map(str::to_string);
    let inside = lines().skip_while(|l| heading(l).as_deref() != Some(name));
    lines().any(|l| heading(l).as_deref() == Some(name)).then(|| {
        let own = inside.skip(1).take_while(|l| heading(l).is_none());
        own.filter_map(|l| l.split_once('=')).map(|(k, v)| (k.trim().to_string(), v.trim().to_string())).collect()
    })
}

/// The password of a connection that names none: `PGPASSWORD`, then the password file (`passfile`, else `PGPASSFILE`, else
/// `~/.pgpass`). `None` where nobody knows one. Error: usage, where that file may be read by others.
pub(super) fn password(config: &Config, passfile: Option<&str>) -> Result<Option<String>> {
    if let Some(password) = std::env::var("PGPASSWORD").ok().filter(|p| !p.is_empty()) {
        return Ok(Some(password));
    }
    let Some(path) = passfile.map(PathBuf::from).or_else(|| at_home("PGPASSFILE", ".pgpass")).filter(|p| p.is_file()) else {
        return Ok(None);
    };
    only_ours(&path)?;
    let text = std::fs::read_to_string(&path)
        .map_err(|e| Error::Usage(format!("the password file {} cannot be read ({e}): PGPASSFILE may name another", path.display())))?;
    let host = match config.get_hosts().first() {
        Some(Host::Tcp(host)) => host.clone(),
        _ => "localhost".into(),
    };
    let port = config.get_ports().first().unwrap_or(&5432).to_string();
    let user = config.get_user().unwrap_or_default();
    let wanted = [host.as_str(), port.as_str(), config.get_dbname().unwrap_or(user), user];
    Ok(text.lines().filter(|l| !l.starts_with('#')).find_map(|line| matching(line, &wanted)))
}

/// The password in a line `host:port:database:user:password`, where it is that of the connection; `*` is anything, and a
/// backslash takes its meaning from a colon or a backslash.
fn matching(line: &str, wanted: &[&str; 4]) -> Option<String> {
    let mut fields = vec![String::new()];
    let mut letters = line.chars();
    while let Some(letter) = letters.next() {
        match letter {
            ':' if fields.len() < 5 => fields.push(String::new()),
            // the password is the last field: whatever comes is its own
            letter => {
                let letter = if letter == '\\' { letters.next().unwrap_or(letter) } else { letter };
                fields.last_mut()?.push(letter);
            }
        }
    }
    let [own @ .., password] = fields.as_slice() else { return None };
    let same = own.len() == wanted.len() && own.iter().zip(wanted).all(|(own, wanted)| own == "*" || own == wanted);
    (same && !password.is_empty()).then(|| password.clone())
}

/// Error: usage, where a file with a password may be read by others.
fn only_ours(path: &Path) -> Result<()> {
    let mode = path.metadata().map_err(Error::file(path))?.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        return Err(Error::Usage(format!(
            "the file {} holds a password and may be read by others (mode {mode:o}): chmod 600 it, and think of another password",
            path.display()
        )));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_a_password_file_are_read_as_postgresql_reads_them() {
        let wanted = ["db", "5432", "night", "mira"];
        let of = |line: &str| matching(line, &wanted);
        assert_eq!(of("db:5432:night:mira:secret").as_deref(), Some("secret"));
        assert_eq!(of("*:*:*:mira:a:b\\:c\\\\d").as_deref(), Some("a:b:c\\d"));
        for other in ["db:5433:night:mira:x", "db:5432:night:ole:x", "db:5432:night:mira", "db:5432:night:mira:", "", "*:*:*"] {
            assert_eq!(of(other), None, "{other}");
        }
        assert_eq!(matching("a\\:b:*:*:*:x", &["a:b", "1", "d", "u"]).as_deref(), Some("x"));
    }

    #[test]
    fn a_service_is_its_own_section_alone() {
        let text = "# ours\n[day]\nhost=a\n\n[night]\nhost = b\nuser=mira\n# no\n[other]\nhost=c\n";
        let pair = |k: &str, v: &str| (k.to_string(), v.to_string());
        assert_eq!(pairs_of(text, "night").unwrap(), [pair("host", "b"), pair("user", "mira")]);
        assert_eq!(pairs_of(text, "nobody"), None);
        assert_eq!(
            (service("service=night"), service("postgresql:///?service=night"), service("postgresql://h/d")),
            (Some("night"), Some("night"), None)
        );
    }
}
