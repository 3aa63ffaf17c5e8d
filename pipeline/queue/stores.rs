//! Where results go: one SQLite file (all workers on one machine, one coach) or PostgreSQL (any number of both).

use crate::error::{Error, Result};
use crate::history::connect::{configure, is_url};
use crate::history::postgres::Postgres;
use crate::history::{Results, Store};
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// The place of a store, as it is typed.
#[derive(Debug, Clone)]
pub enum StoreAt {
    File(PathBuf),
    Url(String),
}

impl StoreAt {
    /// `postgresql://…`, `service=…`, or the path of an SQLite file. Error: usage.
    pub fn parse(text: &str) -> Result<StoreAt> {
        if is_url(text) {
            configure(text)?;
            return Ok(StoreAt::Url(text.to_string()));
        }
        if text.contains("://") {
            return Err(Error::Usage("the store is neither postgresql://user@host:5432/database nor the path of an SQLite file".into()));
        }
        Ok(StoreAt::File(text.into()))
    }

    /// Opens it for a coach (an SQLite file has one alone).
    pub fn open(&self, coach: &str) -> Result<Box<dyn Results>> {
        Ok(match self {
            StoreAt::File(path) => Box::new(Store::open(path)?),
            StoreAt::Url(url) => Box::new(Postgres::open(url, Some(coach))?),
        })
    }
}

/// Open stores, used again from job to job; one that failed is dropped with its connection.
pub struct Stores {
    at: StoreAt,
    patience: Duration,
    idle: Mutex<Vec<Box<dyn Results>>>,
}

/// Rest before a store is tried again.
const PAUSE: Duration = Duration::from_millis(500);

impl Stores {
    /// Opens a first one, to say at once where that fails. `patience`: how long a database may be away in the middle of a job.
    pub fn open(at: StoreAt, patience: Duration) -> Result<Stores> {
        let first = at.open("")?;
        Ok(Stores { at, patience, idle: Mutex::new(vec![first]) })
    }

    /// Does one thing with a store of this coach; again where the database went away meanwhile. What is done must bear being
    /// done twice: nobody knows whether a commit whose answer was lost took place.
    pub fn with<T>(&self, coach: &str, mut act: impl FnMut(&mut dyn Results) -> Result<T>) -> Result<T> {
        let began = Instant::now();
        loop {
            match self.once(coach, &mut act) {
                Err(Error::Database(_) | Error::Usage(_)) if began.elapsed() < self.patience => std::thread::sleep(PAUSE),
                other => return other,
            }
        }
    }

    fn once<T>(&self, coach: &str, act: &mut impl FnMut(&mut dyn Results) -> Result<T>) -> Result<T> {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let mut store = match idle {
            Some(mut store) => {
                store.of_coach(coach);
                store
            }
            None => self.at.open(coach)?,
        };
        let result = act(store.as_mut());
        if matches!(result, Ok(_) | Err(Error::LeaseLost)) {
            self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(store);
        }
        result
    }
}
