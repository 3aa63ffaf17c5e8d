//! A PostgreSQL cluster of a test's own: loopback, temporary folder, an unprivileged user. And a wire that can be cut.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

pub const PASSWORD: &str = "of this test alone";

/// Ends with the value.
pub struct Cluster {
    folder: tempfile::TempDir,
    programs: PathBuf,
    pub port: u16,
}

/// Folder of PostgreSQL's server programs: Debian's newest, else that on the path.
fn programs() -> PathBuf {
    let versions = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().filter_map(Result::ok).map(|e| e.path().join("bin"));
    let newest = versions.filter(|p| p.join("initdb").is_file()).max_by_key(|p| {
        let version = p.parent().and_then(Path::file_name).map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        version.parse::<u32>().unwrap_or(0)
    });
    newest
        .or_else(|| std::env::split_paths(&std::env::var_os("PATH")?).find(|p| p.join("initdb").is_file()))
        .expect("PostgreSQL's server programs (initdb) are not here: run scripts/setup")
}

pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

fn is_root() -> bool {
    Command::new("id").arg("-u").output().is_ok_and(|o| o.stdout == b"0\n")
}

impl Cluster {
    pub fn start() -> Cluster {
        let folder = tempfile::Builder::new().prefix("dawnsheet-pg-").tempdir().unwrap();
        if is_root() {
            // the server refuses to run as root
            assert!(Command::new("chown").arg("postgres").arg(folder.path()).status().unwrap().success());
        }
        let cluster = Cluster { folder, programs: programs(), port: free_port() };
        let quoted = |p: &Path| format!("'{}'", p.display());
        let (data, secret) = (quoted(&cluster.folder.path().join("data")), quoted(&cluster.folder.path().join("secret")));
        let initdb = quoted(&cluster.programs.join("initdb"));
        cluster.shell(&format!(
            "umask 077 && printf '%s' '{PASSWORD}' > {secret} && {initdb} -D {data} -U postgres -A scram-sha-256 --pwfile={secret} -E UTF8 --locale=C -N >/dev/null"
        ));
        cluster.control("start");
        cluster
    }

    fn shell(&self, script: &str) {
        let mut command = if is_root() {
            let mut c = Command::new("su");
            c.args(["postgres", "-s", "/bin/sh", "-c", script]);
            c
        } else {
            let mut c = Command::new("sh");
            c.args(["-c", script]);
            c
        };
        assert!(command.current_dir("/").status().unwrap().success(), "{script}");
    }

    fn control(&self, what: &str) {
        let (folder, program) = (self.folder.path().display(), self.programs.join("pg_ctl").display().to_string());
        let options = format!("-c listen_addresses=127.0.0.1 -c max_connections=200 -c jit=off -p {} -k {folder}", self.port);
        self.shell(&format!("'{program}' -D '{folder}/data' -l '{folder}/log' -o '{options}' -m immediate -w -t 120 {what} >/dev/null"));
    }

    /// As a power cut, and power again.
    pub fn kill_and_restart(&self) {
        self.control("restart");
    }

    pub fn url(&self, database: &str) -> String {
        self.url_of("postgres", PASSWORD, self.port, database)
    }

    pub fn url_of(&self, user: &str, password: &str, port: u16, database: &str) -> String {
        format!("postgresql://{user}:{}@127.0.0.1:{port}/{database}", password.replace(' ', "%20"))
    }

    /// A fresh database; its URL.
    pub fn create(&self, database: &str) -> String {
        self.connect("postgres").batch_execute(&format!("CREATE DATABASE {database}")).unwrap();
        self.url(database)
    }

    pub fn connect(&self, database: &str) -> postgres::Client {
        postgres::Client::connect(&self.url(database), postgres::NoTls).unwrap()
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let (folder, program) = (self.folder.path().display(), self.programs.join("pg_ctl").display().to_string());
        let stop = format!("'{program}' -D '{folder}/data' -m immediate -w stop >/dev/null; rm -rf '{folder}'/*");
        let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| self.shell(&stop)));
    }
}

/// A wire between programs and database.
pub struct Wire {
    pub port: u16,
    open: Arc<Mutex<Vec<TcpStream>>>,
    down: Arc<AtomicBool>,
}

impl Wire {
    pub fn to(server: u16) -> Wire {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let wire = Wire { port: listener.local_addr().unwrap().port(), open: Arc::default(), down: Arc::default() };
        let (open, down) = (wire.open.clone(), wire.down.clone());
        std::thread::spawn(move || {
            for near in listener.incoming().filter_map(Result::ok) {
                if down.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(far) = TcpStream::connect(("127.0.0.1", server)) else { continue };
                let mut all = open.lock().unwrap();
                all.extend([near.try_clone().unwrap(), far.try_clone().unwrap()]);
                let (a, b) = (near.try_clone().unwrap(), far.try_clone().unwrap());
                std::thread::spawn(move || carry(near, far));
                std::thread::spawn(move || carry(b, a));
            }
        });
        wire
    }

    /// Cuts every connection, wherever it is, and lets none through for a while.
    pub fn cut(&self, rest: Duration) {
        self.down.store(true, Ordering::SeqCst);
        for stream in self.open.lock().unwrap().drain(..) {
            let _ = stream.shutdown(Shutdown::Both);
        }
        std::thread::sleep(rest);
        self.down.store(false, Ordering::SeqCst);
    }
}

/// A wire that holds back the first message to the server in which one of these texts stands.
pub struct Gate {
    pub port: u16,
    held: mpsc::Receiver<()>,
    go: mpsc::Sender<()>,
}

impl Gate {
    pub fn before(server: u16, texts: &'static [&'static str]) -> Gate {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let ((say, held), (go, wait)) = (mpsc::channel(), mpsc::channel());
        let once = Arc::new(Mutex::new(Some((say, wait))));
        std::thread::spawn(move || {
            for near in listener.incoming().filter_map(Result::ok) {
                let far = TcpStream::connect(("127.0.0.1", server)).unwrap();
                let (a, b, once) = (near.try_clone().unwrap(), far.try_clone().unwrap(), once.clone());
                std::thread::spawn(move || carry(b, a));
                std::thread::spawn(move || {
                    carry_and(near, far, |bytes| {
                        let text = String::from_utf8_lossy(bytes);
                        let hit = texts.iter().any(|t| text.contains(t));
                        if let Some((say, wait)) = once.lock().unwrap().take_if(|_| hit) {
                            let _ = say.send(());
                            let _ = wait.recv();
                        }
                    });
                });
            }
        });
        Gate { port, held, go }
    }

    /// Waits until a message is held back.
    pub fn wait(&self) {
        self.held.recv_timeout(Duration::from_secs(60)).expect("a message to hold back");
    }

    pub fn open(self) {
        self.go.send(()).unwrap();
    }
}

fn carry(from: TcpStream, to: TcpStream) {
    carry_and(from, to, |_| {});
}

fn carry_and(mut from: TcpStream, mut to: TcpStream, look: impl Fn(&[u8])) {
    let mut buffer = [0; 16 * 1024];
    while let Ok(n) = from.read(&mut buffer) {
        look(&buffer[..n]);
        if n == 0 || to.write_all(&buffer[..n]).is_err() {
            break;
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}
