//! Where a coach's verdicts and erasures go besides the out folder.

use clap::Args;
#[cfg(feature = "queue")]
use dawnsheet::error::Error;
use dawnsheet::error::Result;
use dawnsheet::history::elsewhere::Reach;

/// A database as the command line names it, without its password, else as the variable does. Error: usage, where the password
/// stands on the command line.
#[cfg(feature = "queue")]
pub fn named(given: Option<String>, variable: &str) -> Result<Option<String>> {
    if let Some(text) = &given {
        dawnsheet::history::connect::without_password(text)?;
    }
    Ok(given.or_else(|| std::env::var(variable).ok().filter(|v| !v.is_empty())))
}

/// The database of the results.
#[cfg(feature = "queue")]
pub fn store_named(given: Option<String>) -> Result<Option<String>> {
    named(given, "DAWNSHEET_STORE")
}

/// The database of many machines, where there is one.
#[derive(Args)]
pub struct Elsewhere {
    /// Database of the results of many machines, postgresql://coach@host:5432/database or service=NAME, the coach's own login; its password from ~/.pgpass [default: DAWNSHEET_STORE]
    #[cfg(feature = "queue")]
    #[arg(long, value_name = "URL")]
    store: Option<String>,
    /// Whose results, where the login of --store is the operator's
    #[cfg(feature = "queue")]
    #[arg(long, value_name = "NAME")]
    coach: Option<String>,
}

impl Elsewhere {
    /// How it is reached. Error: usage, where it is not.
    #[cfg(feature = "queue")]
    pub fn reach(&self) -> Result<Option<Box<Reach>>> {
        use dawnsheet::history::postgres::Postgres;
        let Some(url) = store_named(self.store.clone())? else {
            return match self.coach {
                Some(_) => {
                    Err(Error::Usage("--coach says whose rows are meant in a database: name it with --store or in DAWNSHEET_STORE".into()))
                }
                None => Ok(None),
            };
        };
        let coach = self.coach.clone();
        let reach = move || Ok(Box::new(Postgres::open(&url, coach.as_deref())?) as _);
        Ok(Some(Box::new(reach)))
    }

    /// This program was built for one machine.
    #[cfg(not(feature = "queue"))]
    pub fn reach(&self) -> Result<Option<Box<Reach>>> {
        Ok(None)
    }
}
