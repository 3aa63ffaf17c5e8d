//! Clips in object storage: S3 and what speaks like it, with the usual `AWS_…` variables. Objects are listed and streamed,
//! never held in memory as a whole.

use crate::error::{Error, Result};
use crate::intake::admit::{Admitted, admit_from};
use crate::intake::inbox::{ENDINGS, Entry, is_one, tell_alike, upload};
use crate::intake::{Roster, Upload, sidecar};
use crate::report::Reason;
use crate::settings::Settings;
use futures_util::{StreamExt, TryStreamExt};
use object_store::aws::{AmazonS3Builder, AmazonS3ConfigKey};
use object_store::local::LocalFileSystem;
use object_store::path::Path as Key;
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
        let store: Box<dyn ObjectStore> = match parsed.scheme() {
            "file" => {
                let folder = parsed.to_file_path().map_err(|()| wrong("no path of this machine".into()))?;
                Box::new(LocalFileSystem::new_with_prefix(folder).map_err(|e| wrong(root(&e)))?)
            }
            "s3" => {
                let retry = RetryConfig { max_retries: 4, retry_timeout: PATIENCE, ..RetryConfig::default() };
                let builder = AmazonS3Builder::from_env().with_url(url).with_retry(retry);
                let endpoints = [AmazonS3ConfigKey::Endpoint, AmazonS3ConfigKey::S3Endpoint];
                // whoever writes http:// in the endpoint means it
                let plain = endpoints.iter().any(|k| builder.get_config_value(k).is_some_and(|e| e.starts_with("http://")));
                let builder = if plain { builder.with_allow_http(true) } else { builder };
                let prefix = Key::from_url_path(parsed.path()).map_err(|e| wrong(e.to_string()))?;
                Box::new(PrefixStore::new(builder.build().map_err(|e| wrong(root(&e)))?, prefix))
            }
            other => return Err(wrong(format!("{other}:// is not known"))),
        };
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
        let runtime = runtime.map_err(|e| Error::Internal(e.to_string()))?;
        let objects = Objects { store, target: url.to_string(), runtime };
        let first = objects.runtime.block_on(objects.store.list(None).next()).transpose();
        first.map_err(|e| Error::Usage(objects.listing(&e)))?;
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

    /// Every object, by its key below the prefix.
    fn list(&self) -> Result<BTreeMap<String, ObjectMeta>> {
        let all = self.store.list(None).map_ok(|about| (about.location.to_string(), about)).try_collect();
        self.runtime.block_on(all).map_err(|e| Error::Usage(self.listing(&e)))
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

    /// The clips, in sorted order, as [`crate::intake::walk`] finds them in a folder; their path is their key.
    pub fn uploads(&self, roster: &Roster, settings: &Settings) -> Result<Vec<Upload>> {
        let (all, now) = (self.list()?, SystemTime::now());
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

/// What lies at the bottom of an error, without the document that a server may have sent with it.
fn root(e: &StoreError) -> String {
    let mut cause: &dyn std::error::Error = e;
    while let Some(deeper) = cause.source() {
        cause = deeper;
    }
    let text = cause.to_string();
    text.split(": <").next().unwrap_or_default().to_string()
}
