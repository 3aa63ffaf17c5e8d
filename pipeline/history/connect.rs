//! Connections to PostgreSQL: one reading of the URL for store and queue, TLS where the server offers it, and errors that
//! say what to do without telling the password.

use super::login;
use crate::error::{Error, Result};
use graphile_worker_postgres_tls::Connector;
use postgres::Client;
use postgres::error::SqlState;
use std::error::Error as _;
use std::path::PathBuf;
use std::time::Duration;
use tokio_postgres::Config;
use tokio_postgres::config::Host;

/// Whether this names a PostgreSQL database, not a file.
pub fn is_url(text: &str) -> bool {
    text.starts_with("postgres://") || text.starts_with("postgresql://") || login::service(text).is_some()
}

/// Error: usage, where a command line names a database with its password: everybody on the machine can read it there.
pub fn without_password(text: &str) -> Result<()> {
    let told = is_url(text) && text.parse::<Config>().is_ok_and(|c| c.get_password().is_some());
    if !told {
        return Ok(());
    }
    Err(Error::Usage(
        "a password on the command line can be read by everybody on this machine: leave it out of the URL and keep it in \
         ~/.pgpass (chmod 600) or a service of ~/.pg_service.conf, or put the whole URL into DAWNSHEET_STORE or DAWNSHEET_QUEUE"
            .into(),
    ))
}

/// Reads a URL `postgresql://user@host:port/database`, or `service=NAME` of PostgreSQL's service file. A password that it does
/// not hold comes from `PGPASSWORD` or PostgreSQL's password file. A peer that vanished is noticed within half a minute.
/// Error: usage.
pub fn configure(text: &str) -> Result<Config> {
    let (mut config, passfile) = match login::service(text) {
        Some(name) => of_service(name)?,
        None => (of_url(text)?, None),
    };
    if config.get_password().is_none()
        && let Some(password) = login::password(&config, passfile.as_deref())?
    {
        config.password(password);
    }
    if config.get_connect_timeout().is_none() {
        config.connect_timeout(Duration::from_secs(10));
    }
    config.keepalives_idle(Duration::from_secs(10)).keepalives_interval(Duration::from_secs(5)).keepalives_retries(3);
    config.tcp_user_timeout(Duration::from_secs(30)).application_name("dawnsheet");
    Ok(config)
}

fn of_url(url: &str) -> Result<Config> {
    let wrong = |why: String| Error::Usage(format!("not a database URL ({why}): write postgresql://user@host:5432/database"));
    if !is_url(url) {
        return Err(wrong("it does not begin with postgresql://".into()));
    }
    let config: Config = url.parse().map_err(|e: postgres::Error| wrong(e.source().map_or_else(|| e.to_string(), ToString::to_string)))?;
    if config.get_hosts().is_empty() {
        return Err(wrong("it names no host".into()));
    }
    Ok(config)
}

/// What the service file says, and the password file that it names.
fn of_service(name: &str) -> Result<(Config, Option<String>)> {
    let wrong = |why: String| Error::Usage(format!("the service '{name}' names no database ({why}): give it host, dbname and user"));
    let (files, pairs): (Vec<_>, Vec<_>) = login::of_service(name)?.into_iter().partition(|(key, _)| key == "passfile");
    let quoted = |v: &str| v.replace('\\', "\\\\").replace('\'', "\\'");
    let text: Vec<String> = pairs.iter().map(|(k, v)| format!("{k}='{}'", quoted(v))).collect();
    let parsed = text.join(" ").parse::<Config>();
    let config = parsed.map_err(|e| wrong(e.source().map_or_else(|| e.to_string(), ToString::to_string)))?;
    if config.get_hosts().is_empty() {
        return Err(wrong("it has no host".into()));
    }
    Ok((config, files.into_iter().next().map(|(_, path)| path)))
}

/// The TLS connector; `PGSSLROOTCERT` may name a PEM file with more trusted roots.
pub fn connector() -> Result<Connector> {
    let roots = std::env::var_os("PGSSLROOTCERT").map(PathBuf::from);
    graphile_worker_postgres_tls::connector(roots.as_deref()).map_err(|e| Error::Usage(e.to_string()))
}

/// Connects. Errors: usage, where URL, user, password or database are wrong or nobody answers.
pub fn connect(config: &Config) -> Result<Client> {
    postgres::Config::from(config.clone()).connect(connector()?).map_err(|e| refused(config, &e))
}

/// Where a connection goes, without the password.
pub fn target(config: &Config) -> String {
    let host = match config.get_hosts().first() {
        Some(Host::Tcp(host)) => host.clone(),
        Some(Host::Unix(path)) => path.display().to_string(),
        None => String::new(),
    };
    format!("{host}:{}", config.get_ports().first().unwrap_or(&5432))
}

fn refused(config: &Config, e: &postgres::Error) -> Error {
    let (target, user) = (target(config), config.get_user().unwrap_or_default());
    let Some(db) = e.as_db_error() else {
        let why = e.source().map_or_else(|| e.to_string(), ToString::to_string);
        return Error::Usage(format!("no database answers at {target} ({why}): check the URL, and that the server runs"));
    };
    let code = db.code();
    if *code == SqlState::INVALID_PASSWORD || *code == SqlState::INVALID_AUTHORIZATION_SPECIFICATION {
        Error::Usage(format!(
            "the database at {target} refuses user '{user}': check the user, and the password in ~/.pgpass, the service or DAWNSHEET_STORE"
        ))
    } else if *code == SqlState::INVALID_CATALOG_NAME {
        Error::Usage(format!("the database at {target}: {}: create it first", db.message()))
    } else {
        // it starts, it stops, too many connections: tomorrow it may be another answer
        Error::Database(format!("{target}: {}", db.message()))
    }
}

impl From<postgres::Error> for Error {
    fn from(e: postgres::Error) -> Error {
        let detail = e.as_db_error().map(|d| d.message().to_string()).or_else(|| e.source().map(ToString::to_string));
        Error::Database(detail.unwrap_or_else(|| e.to_string()))
    }
}
