//! Where results go: one SQLite file (all workers on one machine, one coach) or PostgreSQL (any number of both).

use crate::error::{Error, Result};
use crate::history::connect::{configure, is_url};
use crate::history::postgres::Postgres;
use crate::history::{Results, Store};
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

/// The place of a store, as it is typed.
#[derive(Debug, Clone)]
pub enum StoreAt {
    File(PathBuf),
    Url(String),
}

impl StoreAt {
    /// `postgresql://…`, or the path of an SQLite file. Error: usage.
    pub fn parse(text: &str) -> Result<StoreAt> {
        if is_url(text) {
            configure(text)?;
            return Ok(StoreAt::Url(text.to_string()));
        }
        if text.contains("://") {
            return Err(Error::Usage(format!("the store '{text}' is neither postgresql://… nor the path of an SQLite file")));
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
    idle: Mutex<Vec<Box<dyn Results>>>,
}

impl Stores {
    /// None is opened yet.
    pub fn new(at: StoreAt) -> Stores {
        Stores { at, idle: Mutex::default() }
    }

    /// Does one thing with a store of this coach.
    pub fn with<T>(&self, coach: &str, act: impl FnOnce(&mut dyn Results) -> Result<T>) -> Result<T> {
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
