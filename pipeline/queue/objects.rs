//! Clips in object storage: S3 and what speaks like it, with the usual `AWS_…` variables. Objects are listed and streamed,
//! never held in memory as a whole.

use crate::error::{Error, Result};
use crate::intake::admit::{Admitted, admit_from};
use crate::intake::inbox::{ENDINGS, Entry, is_one, relative, tell_alike, upload};
use crate::intake::{Brief, Roster, Upload, sidecar};
use crate::report::Reason;
use crate::settings::Settings;
use futures_util::TryStreamExt;
use object_store::aws::{AmazonS3, AmazonS3Builder, AmazonS3ConfigKey};
use object_store::list::{PaginatedListOptions, PaginatedListStore};
use object_store::local::LocalFileSystem;
use object_store::path::{Error as PathError, Path as Key};
use object_store::prefix::PrefixStore;
use object_store::{Error as StoreError, ObjectMeta, ObjectStore, ObjectStoreExt, RetryConfig};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};
use tokio::runtime::Runtime;
use tokio_util::io::{StreamReader, SyncIoBridge};
use url::Url;

/// A bucket, or the part of it below a prefix.
pub struct Objects {
    store: Box<dyn ObjectStore>,
    /// What is listed: the library stops at the first key that no path can have.
    listed: Lists,
    /// The prefix's URL, for messages.
    target: String,
    runtime: Runtime,
}

impl std::fmt::Debug for Objects {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.target)
    }
}

/// How long a request is tried again.
const PATIENCE: Duration = Duration::from_secs(20);

impl Objects {
    /// Opens `s3://bucket/prefix` or `file:///folder` and looks into it. Errors: usage, where the URL is wrong, the bucket is
    /// not there or may not be read, or nobody answers.
    pub fn open(url: &str) -> Result<Objects> {
        let wrong =
            |why: String| Error::Usage(format!("the media {url} cannot be used ({why}): write s3://bucket/prefix or file:///folder"));
        let parsed = Url::parse(url).map_err(|e| wrong(e.to_string()))?;
        let (store, listed): (Box<dyn ObjectStore>, _) = match parsed.scheme() {
            "file" => {
                let folder = parsed.to_file_path().map_err(|()| wrong("no path of this machine".into()))?;
                (Box::new(LocalFileSystem::new_with_prefix(&folder).map_err(|e| wrong(root(&e)))?), Lists::Folder(folder))
            }
            "s3" => {
                let retry = RetryConfig { max_retries: 4, retry_timeout: PATIENCE, ..RetryConfig::default() };
                let builder = AmazonS3Builder::from_env().with_url(url).with_retry(retry);
                let endpoints = [AmazonS3ConfigKey::Endpoint, AmazonS3ConfigKey::S3Endpoint];
                // whoever writes http:// in the endpoint means it
                let plain = endpoints.iter().any(|k| builder.get_config_value(k).is_some_and(|e| e.starts_with("http://")));
                let builder = if plain { builder.with_allow_http(true) } else { builder };
                let prefix = Key::from_url_path(parsed.path()).map_err(|e| wrong(e.to_string()))?;
                let bucket = builder.build().map_err(|e| wrong(root(&e)))?;
                let below = if prefix.as_ref().is_empty() { String::new() } else { format!("{prefix}/") };
                (Box::new(PrefixStore::new(bucket.clone(), prefix)), Lists::Bucket(bucket, below))
            }
            other => return Err(wrong(format!("{other}:// is not known"))),
        };
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
        let runtime = runtime.map_err(|e| Error::Internal(e.to_string()))?;
        let objects = Objects { store, listed, target: url.to_string(), runtime };
        objects.look()?;
        Ok(objects)
    }

    /// What happened to a list and what to do. The library tells its refusals only by their text.
    fn listing(&self, e: &StoreError) -> String {
        match root(e) {
            why if matches!(e, StoreError::NotFound { .. }) || why.contains("404 Not Found") => {
                format!("there is no bucket behind {}: check its name", self.target)
            }
            why if why.contains("401 Unauthorized") || why.contains("403 Forbidden") => self.denied(),
            _ => self.failed(e),
        }
    }

    fn denied(&self) -> String {
        format!("{} is denied: check AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY and what that key may read", self.target)
    }

    /// What happened to a request and what to do.
    fn failed(&self, e: &StoreError) -> String {
        let at = &self.target;
        match e {
            StoreError::NotFound { .. } => format!("the clip is gone from {at}"),
            StoreError::PermissionDenied { .. } | StoreError::Unauthenticated { .. } => self.denied(),
            e => format!("{at} cannot be read ({}): check AWS_ENDPOINT_URL, AWS_REGION and the network", root(e)),
        }
    }

    /// Whether it can be listed at all.
    fn look(&self) -> Result<()> {
        let Lists::Bucket(bucket, below) = &self.listed else { return Ok(()) };
        match self.runtime.block_on(page(bucket, below, &From::default(), 1)) {
            Ok(_) | Err(StoreError::InvalidPath { .. }) => Ok(()),
            Err(e) => Err(Error::Usage(self.listing(&e))),
        }
    }

    /// Every object, by its key below the prefix, and the keys that no path can have.
    fn list(&self) -> Result<Listed> {
        match &self.listed {
            Lists::Folder(folder) => of_folder(folder),
            Lists::Bucket(bucket, below) => self.runtime.block_on(of_bucket(bucket, below)).map_err(|e| Error::Usage(self.listing(&e))),
        }
    }

    fn text(&self, key: &str) -> std::result::Result<String, String> {
        let bytes = self.runtime.block_on(async { self.store.get(&Key::parse(key)?).await?.bytes().await });
        let bytes = bytes.map_err(|e: StoreError| self.failed(&e))?;
        String::from_utf8(bytes.to_vec()).map_err(|e| e.to_string())
    }

    /// The roster that lies there, or an empty one.
    pub fn roster(&self) -> Result<Roster> {
        match self.size("roster.toml").map_err(Error::Usage)? {
            Some(_) => Roster::parse(&self.text("roster.toml").map_err(Error::Usage)?),
            None => Ok(Roster::default()),
        }
    }

    /// The clips, in sorted order, as [`crate::intake::walk`] finds them in a folder; their path is their key. What has a key that
    /// no path can have waits and says so.
    pub fn uploads(&self, roster: &Roster, settings: &Settings) -> Result<Vec<Upload>> {
        let (Listed { all, odd }, now) = (self.list()?, SystemTime::now());
        let skipped = odd.into_iter().map(|key| Upload {
            path: PathBuf::from(&key),
            brief: Brief { file: key, ..Brief::default() },
            bytes: 0,
            modified: None,
            waits: Some("left alone: a part of its key is empty, '.' or '..', or has a control character; give it another key".into()),
        });
        let clips = all.iter().filter(|(key, _)| is_one(&ENDINGS, key.rsplit('/').next().unwrap_or(key)));
        let mut found: Vec<Upload> = clips
            .map(|(key, about)| {
                let beside = sidecar::beside_in(Path::new(key), |p| p.to_str().is_some_and(|p| all.contains_key(p)));
                let note = beside.as_deref().and_then(|p| Some((p, p.to_str()?))).map(|(path, key)| {
                    let bytes = all.get(key).map_or(0, |about| about.size);
                    sidecar::read_from(path, Ok(bytes), || self.text(key))
                });
                let modified = Some(SystemTime::from(about.last_modified));
                upload(Entry { path: PathBuf::from(key), file: key.clone(), bytes: about.size, modified }, note, roster, settings, now)
            })
            .chain(skipped)
            .collect();
        tell_alike(&mut found, roster);
        Ok(found)
    }

    /// Size of an object in bytes, `None` where there is none. Error: a sentence.
    pub fn size(&self, key: &str) -> std::result::Result<Option<u64>, String> {
        match self.runtime.block_on(async { self.store.head(&Key::parse(key)?).await }) {
            Ok(about) => Ok(Some(about.size)),
            Err(StoreError::NotFound { .. }) => Ok(None),
            Err(e) => Err(self.failed(&e)),
        }
    }

    /// Reads an object from its beginning; not to be called where futures run. Error: a sentence, as that of each read.
    pub fn read(&self, key: &str) -> std::result::Result<impl Read + use<>, String> {
        let found = self.runtime.block_on(async { self.store.get(&Key::parse(key)?).await });
        let stream = found.map_err(|e| self.failed(&e))?.into_stream().map_err(std::io::Error::from);
        Ok(SyncIoBridge::new_with_handle(StreamReader::new(stream), self.runtime.handle().clone()))
    }

    /// Checks and hashes an object while it is streamed.
    pub fn admit(&self, key: &str, bytes: u64, settings: &Settings) -> std::result::Result<Admitted, Reason> {
        admit_from(bytes, || self.read(key).map_err(std::io::Error::other), settings)
    }
}

/// How objects are listed.
enum Lists {
    /// Page by page, and the prefix of its keys.
    Bucket(AmazonS3, String),
    Folder(PathBuf),
}

/// What was listed.
#[derive(Default)]
struct Listed {
    all: BTreeMap<String, ObjectMeta>,
    odd: Vec<String>,
}

/// The key that an error is about, where it is one that no path can have.
fn odd_key(e: &StoreError) -> Option<&str> {
    match e {
        StoreError::InvalidPath { source: PathError::EmptySegment { path } | PathError::BadSegment { path, .. } } => Some(path),
        _ => None,
    }
}

/// Where a listing goes on.
#[derive(Clone, Default)]
struct From {
    token: Option<String>,
    after: Option<String>,
}

/// One page of at most so many objects, and where the next begins.
async fn page(bucket: &AmazonS3, below: &str, from: &From, most: usize) -> object_store::Result<(Vec<ObjectMeta>, Option<String>)> {
    let (page_token, offset) = (from.token.clone(), from.after.clone());
    let options = PaginatedListOptions { offset, page_token, max_keys: Some(most), ..PaginatedListOptions::default() };
    let found = bucket.list_paginated(Some(below).filter(|b| !b.is_empty()), options).await?;
    Ok((found.result.objects, found.page_token))
}

/// Most objects that S3 puts on a page.
const PAGE: usize = 1000;

/// Everything below a prefix. The library fails a whole page for one odd key in it: then smaller pages lead up to that key,
/// and the listing goes on after it.
async fn of_bucket(bucket: &AmazonS3, below: &str) -> object_store::Result<Listed> {
    let (mut listed, mut from, mut most) = (Listed::default(), From::default(), PAGE);
    let own = |key: &str| key.strip_prefix(below).unwrap_or(key).to_string();
    loop {
        match page(bucket, below, &from, most).await {
            Ok((objects, token)) => {
                listed.all.extend(objects.into_iter().map(|about| (own(about.location.as_ref()), about)));
                if token.is_none() {
                    return Ok(listed);
                }
                from.token = token;
                most = (most * 2).min(PAGE);
            }
            Err(e) => match odd_key(&e) {
                Some(_) if most > 1 => most /= 2,
                // a key that was skipped does not come again, or the listing would stand still
                Some(key) if from.after.as_deref() != Some(key) => {
                    listed.odd.push(own(key));
                    from = From { token: None, after: Some(key.to_string()) };
                }
                _ => return Err(e),
            },
        }
    }
}

/// Everything below a folder. Error: usage, where a part of it cannot be read.
fn of_folder(folder: &Path) -> Result<Listed> {
    let mut listed = Listed::default();
    for entry in walkdir::WalkDir::new(folder).min_depth(1).follow_links(true) {
        let entry = entry.map_err(|e| Error::Usage(format!("the media {} cannot be read: {e}", folder.display())))?;
        if !entry.file_type().is_file() {
            continue;
        }
        let about = entry.metadata().map_err(|e| Error::Usage(e.to_string()))?;
        let key = relative(folder, entry.path());
        match (entry.path().to_str(), Key::parse(&key), about.modified()) {
            (Some(_), Ok(location), Ok(modified)) => {
                let meta = ObjectMeta { location, last_modified: modified.into(), size: about.len(), e_tag: None, version: None };
                listed.all.insert(key, meta);
            }
            _ => listed.odd.push(key),
        }
    }
    Ok(listed)
}

/// What lies at the bottom of an error, without the document that a server may have sent with it.
fn root(e: &StoreError) -> String {
    let mut cause: &dyn std::error::Error = e;
    while let Some(deeper) = cause.source() {
        cause = deeper;
    }
    let text = cause.to_string();
    text.split(": <").next().unwrap_or_default().to_string()
}
