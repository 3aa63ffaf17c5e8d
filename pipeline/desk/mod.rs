//! The desk: the morning sheet with the clips to play and a verdict by one key, served to this machine alone.

mod answers;
mod footage;
mod guard;
mod how_well;
mod limits;
mod pages;
mod ruler;

use crate::batch::forget::INBOX;
use crate::error::{Error, Result};
use crate::history::elsewhere::{self, Reach};
use crate::history::{Results, Store};
use crate::place::OutFolder;
use crate::sheet::{self, Sheet};
use axum::Router;
use axum::routing::{get, post};
use guard::Guard;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};

/// What the requests share.
struct Desk {
    out: OutFolder,
    guard: Guard,
    /// Where the footage lies; `None` where no run has said.
    inbox: Option<PathBuf>,
    at_hand: Mutex<AtHand>,
    checked: footage::Checked,
}

/// The store and what was read from it.
struct AtHand {
    store: Store,
    /// Where the verdicts are kept, if not in the store.
    far: Option<Box<Reach>>,
    sheet: Sheet,
    /// The store's number of outside changes when the sheet was read.
    read_at: i64,
}

impl AtHand {
    fn new(out: &OutFolder, mut store: Store, far: Option<Box<Reach>>) -> Result<AtHand> {
        let _pen = out.pen()?;
        // brings what was said at another desk, or says that a database must be named
        elsewhere::say(&mut store, far.as_deref(), |_| Ok(()))?;
        let read_at = store.outside_changes()?;
        Ok(AtHand { sheet: Sheet::read(out, &store, None)?, store, far, read_at })
    }

    fn say<T>(&mut self, act: impl FnOnce(&mut dyn Results) -> Result<T>) -> Result<T> {
        elsewhere::say(&mut self.store, self.far.as_deref(), act)
    }

    /// The sheet anew, after a result was changed from here.
    fn read_again(&mut self, out: &OutFolder) -> Result<()> {
        self.sheet = Sheet::read(out, &self.store, None)?;
        Ok(())
    }

    /// The sheet as the store is now: a run may end while the desk is open.
    fn fresh(&mut self, out: &OutFolder) -> Result<&Sheet> {
        let now = self.store.outside_changes()?;
        if now == self.read_at {
            self.sheet.refresh(&self.store)?;
        } else {
            self.sheet = Sheet::read(out, &self.store, None)?;
            self.read_at = now;
        }
        Ok(&self.sheet)
    }
}

impl Desk {
    fn at_hand(&self) -> MutexGuard<'_, AtHand> {
        // a thread that panicked while holding the store left it consistent: every change is one transaction
        self.at_hand.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

/// Serves the desk on 127.0.0.1 (`port` 0: any that is free) until Ctrl-C or SIGTERM; `ready` is told the address to open
/// once it answers. `far`: where the coach's verdicts are kept, if not in the out folder alone. At the end the static sheet is
/// written again with what the coach said. Errors: the port is taken, the out folder or the database cannot be used.
pub fn serve(out: OutFolder, port: u16, far: Option<Box<Reach>>, ready: impl FnOnce(&str)) -> Result<()> {
    let store = Store::open(&out.store())?;
    let inbox = store.note(INBOX)?.map(PathBuf::from);
    let before = (store.verdicts()?, store.marked()?);
    let at_hand = AtHand::new(&out, store, far)?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let runtime = runtime.map_err(|e| Error::Internal(e.to_string()))?;
    let desk = runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))
            .await
            .map_err(|e| Error::Usage(format!("port {port} of this machine cannot be used ({e}): choose another with --port")))?;
        let at = listener.local_addr().map_err(|e| Error::Internal(e.to_string()))?;
        let (guard, key) = Guard::new(at.port())?;
        let desk = Arc::new(Desk { out, guard, inbox, at_hand: Mutex::new(at_hand), checked: footage::Checked::default() });
        let mut terminate =
            tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()).map_err(|e| Error::Internal(e.to_string()))?;
        ready(&format!("http://{at}/?key={key}"));
        tokio::select! {
            // a film that is still being read must not hold the end up
            served = axum::serve(listener, router(desk.clone())) => served.map_err(|e| Error::Internal(e.to_string()))?,
            _ = tokio::signal::ctrl_c() => {}
            _ = terminate.recv() => {}
        }
        Ok::<_, Error>(desk)
    })?;
    runtime.shutdown_timeout(std::time::Duration::from_secs(1));
    let pen = desk.out.pen()?;
    let at_hand = desk.at_hand();
    if (at_hand.store.verdicts()?, at_hand.store.marked()?) != before {
        sheet::write_with(&pen, &desk.out, &at_hand.store, None, None)?;
    }
    Ok(())
}

/// Every address there is. Nothing of a request's path becomes a path of the file system: pages, students and clips are
/// looked up among what the store holds, everything else is fixed.
fn router(desk: Arc<Desk>) -> Router {
    Router::new()
        .route("/", get(pages::enter))
        .route("/sheet/index.html", get(pages::index))
        .route("/sheet/students.html", get(pages::students))
        .route("/sheet/sheet.css", get(pages::style))
        .route("/sheet/sheet.js", get(pages::script))
        .route("/sheet/desk.css", get(pages::desk_style))
        .route("/sheet/desk.js", get(pages::desk_script))
        .route("/sheet/clip/{page}", get(pages::clip))
        .route("/sheet/student/{page}", get(pages::student))
        .route("/sheet/pictures/{clip}/{file}", get(pages::picture))
        .route("/video/{owner}/{clip}", get(footage::film))
        .route("/answers/{owner}", get(answers::list))
        .route("/answers/{owner}/{day}/{file}", get(answers::file))
        .route("/answer", post(answers::make))
        .route("/limits/index.html", get(limits::index))
        .route("/ruler/index.html", get(how_well::index))
        .route("/ruler/ruler.js", get(ruler::script))
        .route("/ruler/draw.js", get(ruler::draw_script))
        .route("/ruler/clip/{page}", get(ruler::clip))
        .route("/ruler/marks", post(ruler::marks))
        .route("/ruler/draw", post(ruler::draw_ten))
        .route("/ruler/decide", post(ruler::decide))
        .route("/ruler/adopt", post(how_well::adopt))
        .route("/ruler/drop", post(how_well::drop))
        .route("/verdict", post(pages::verdict))
        .route("/undo", post(pages::undo))
        .fallback(pages::nothing)
        .layer(axum::extract::DefaultBodyLimit::max(16 * 1024))
        .layer(axum::middleware::from_fn_with_state(desk.clone(), guard::guard))
        .with_state(desk)
}
