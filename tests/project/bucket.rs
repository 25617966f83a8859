//! A real S3-compatible server on loopback, and a way to it that can be cut, slowed and refused.
//!
//! Knows how the server is started and where its files lie. The server is the program `s3s-fs`, which checks
//! signatures; `ENDBOARD_S3_SERVER` names it. Without it the tests say that they tried nothing.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::{Film, until};

/// Names of the access key and its secret that the server knows.
pub const KEY: (&str, &str) = ("BRINELAMPKEEPER", "saltworks/at+night/with=poles");

/// What the way does with requests.
#[derive(Clone, Debug, PartialEq)]
pub enum Does {
    /// Hands them on.
    Pass,
    /// Answers those of this method (all when empty) with this status and code.
    Refuse(&'static str, u16, &'static str),
    /// Takes them and answers nothing.
    Silent,
    /// Hands on so many bytes of what is sent, and then no more.
    Stall(usize),
    /// Hands on answers a little at a time.
    Slow,
    /// Takes so long over what is sent by requests whose line has this in it.
    Dawdle(&'static str, Duration),
    /// Answers those whose line has this in it (all when empty) with a page for people, and says that all is well.
    Page(&'static str),
    /// Answers those whose line has this in it with a list of nothing.
    Empty(&'static str),
    /// Says that it took what is sent, and takes nothing.
    Swallow,
    /// Hands on so many bytes of an answer to a request whose line has this in it, and then no more.
    Hold(&'static str, usize),
    /// Ends so many connections after so many bytes of an answer to a request whose line has this in it.
    Cut(&'static str, usize, usize),
    /// Keeps requests whose line has this in it until so many are there at once, and hands on all from then on.
    Together(&'static str, usize),
}

/// What a network says that wants its guests to log in first.
const PAGE: &str = "<!DOCTYPE html><html><body>Welcome to the Salt Works Inn</body></html>";

/// What the way saw.
#[derive(Default)]
struct Seen {
    requests: Vec<String>,
    sent: usize,
    stalled: bool,
    cut: usize,
    /// Requests under way, and the most that were.
    under_way: usize,
    most: usize,
    /// Those kept until they are enough, and whether they were.
    kept: usize,
    enough: bool,
}

/// The server, its files, and the way there.
pub struct Server {
    program: PathBuf,
    root: tempfile::TempDir,
    child: Mutex<Option<Child>>,
    /// The server's own port, behind the way.
    pub behind: u16,
    /// The port that members use.
    pub port: u16,
    does: Arc<Mutex<Does>>,
    seen: Arc<Mutex<Seen>>,
}

impl Server {
    /// One that has an empty bucket `brine`; none where no server was named.
    pub fn start() -> Option<Self> {
        let Some(program) = std::env::var_os("ENDBOARD_S3_SERVER") else {
            eprintln!("ENDBOARD_S3_SERVER is not set: nothing tried");
            return None;
        };
        let root = tempfile::tempdir().unwrap();
        std::fs::create_dir(root.path().join("brine")).unwrap();
        let behind = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let (does, seen) = (Arc::new(Mutex::new(Does::Pass)), Arc::new(Mutex::new(Seen::default())));
        let (way, eyes) = (Arc::clone(&does), Arc::clone(&seen));
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let (way, eyes) = (Arc::clone(&way), Arc::clone(&eyes));
                std::thread::spawn(move || drop(one(client, behind, &way, &eyes)));
            }
        });
        let server =
            Self { program: program.into(), root, child: Mutex::new(None), behind, port, does, seen };
        server.go("");
        Some(server)
    }

    /// A second way to it, over TLS; gives its port.
    #[cfg(feature = "s3")]
    pub fn secured(&self, config: Arc<rustls::ServerConfig>) -> u16 {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let (behind, way, eyes) = (self.behind, Arc::clone(&self.does), Arc::clone(&self.seen));
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let (way, eyes, config) = (Arc::clone(&way), Arc::clone(&eyes), Arc::clone(&config));
                std::thread::spawn(move || {
                    let connection = rustls::ServerConnection::new(config).unwrap();
                    drop(one(rustls::StreamOwned::new(connection, client), behind, &way, &eyes))
                });
            }
        });
        port
    }

    /// Starts the server's process, behind words of the shell that limit it.
    pub fn go(&self, limit: &str) {
        let child = Command::new("sh")
            .arg("-c")
            .arg(format!("{limit} exec \"$0\" \"$@\""))
            .arg(&self.program)
            .args(["--host", "127.0.0.1", "--port", &self.behind.to_string()])
            .args(["--access-key", KEY.0, "--secret-key", KEY.1])
            .arg(self.root.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        *self.child.lock().unwrap() = Some(child);
        until("the server", || TcpStream::connect(("127.0.0.1", self.behind)).is_ok());
    }

    /// Ends its process by force.
    pub fn kill(&self) {
        if let Some(mut child) = self.child.lock().unwrap().take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// From now on the way does so.
    pub fn does(&self, does: Does) {
        *self.does.lock().unwrap() = does;
    }

    /// Whether the way stalled.
    pub fn stalled(&self) -> bool {
        self.seen.lock().unwrap().stalled
    }

    /// How many connections the way cut.
    pub fn cut(&self) -> usize {
        self.seen.lock().unwrap().cut
    }

    /// Requests so far, as `PUT /brine/film/objects/…`.
    pub fn requests(&self) -> Vec<String> {
        self.seen.lock().unwrap().requests.clone()
    }

    /// Forgets the requests so far.
    pub fn forget(&self) {
        let mut seen = self.seen.lock().unwrap();
        seen.requests.clear();
        seen.most = 0;
    }

    /// The most requests that were under way at once.
    pub fn most(&self) -> usize {
        self.seen.lock().unwrap().most
    }

    /// Files of the bucket whose names have `part` in them.
    pub fn files(&self, part: &str) -> Vec<PathBuf> {
        let mut found = Vec::new();
        let mut folders = vec![self.root.path().join("brine")];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
                let path = entry.path();
                match path.is_dir() {
                    true => folders.push(path),
                    false if path.to_string_lossy().contains(part) => found.push(path),
                    false => {}
                }
            }
        }
        found.sort();
        found
    }

    /// What a declaration says of it.
    pub fn declared(&self) -> String {
        format!(
            "shared: {{ at: s3://brine/film, endpoint: 'http://127.0.0.1:{}', budget: 1GB }}\n",
            self.port
        )
    }
}

/// A command of the program in a film's folder, by a person of this name with the server's keys and no other settings.
pub fn command(film: &Film, name: &str, words: &[&str]) -> Command {
    let mut command = film.command(words);
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("AWS_")) {
        command.env_remove(name);
    }
    command.env_remove("ENDBOARD_SHARED");
    command.env("HOME", film.path()).env("ENDBOARD_WRITER", name);
    command.env("AWS_ACCESS_KEY_ID", KEY.0).env("AWS_SECRET_ACCESS_KEY", KEY.1);
    command
}

/// Puts bytes where a link says.
pub fn put(link: &str, bytes: &[u8]) {
    let rest = link.strip_prefix("http://").unwrap();
    let (host, path) = rest.split_once('/').unwrap();
    let mut way = TcpStream::connect(host).unwrap();
    let head = format!("PUT /{path} HTTP/1.1\r\nhost: {host}\r\ncontent-length: {}\r\n", bytes.len());
    way.write_all(format!("{head}connection: close\r\n\r\n").as_bytes()).unwrap();
    way.write_all(bytes).unwrap();
    let mut all = Vec::new();
    way.read_to_end(&mut all).unwrap();
    assert!(all.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&all));
}

impl Drop for Server {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Gives a file an earlier time, as if it had been sent so many days ago.
pub fn age(file: &Path, days: u64) {
    let when = std::time::SystemTime::now() - std::time::Duration::from_secs(days * 86_400);
    std::fs::File::options().append(true).open(file).unwrap().set_modified(when).unwrap();
}

/// Says that all is well.
fn answer(client: &mut impl Write, head: &str, length: usize, says: &str) -> std::io::Result<()> {
    let when = "last-modified: Sat, 28 Nov 2026 10:00:00 GMT";
    write!(
        client,
        "HTTP/1.1 200 OK\r\n{when}\r\n{head}content-length: {length}\r\nconnection: close\r\n\r\n{says}"
    )
}

/// A request under way.
struct UnderWay<'s>(&'s Mutex<Seen>);

impl<'s> UnderWay<'s> {
    fn of(seen: &'s Mutex<Seen>, line: &str) -> Self {
        let mut all = seen.lock().unwrap();
        all.requests.push(line.into());
        all.under_way += 1;
        all.most = all.most.max(all.under_way);
        Self(seen)
    }
}

impl Drop for UnderWay<'_> {
    fn drop(&mut self) {
        self.0.lock().unwrap().under_way -= 1;
    }
}

/// The head of a request or an answer, with the empty line after it; nothing where none comes.
fn head_of(from: &mut impl Read) -> std::io::Result<Option<String>> {
    let (mut head, mut byte) = (Vec::new(), [0]);
    while !head.ends_with(b"\r\n\r\n") {
        if from.read(&mut byte)? == 0 {
            return Ok(None);
        }
        head.push(byte[0]);
    }
    Ok(Some(String::from_utf8_lossy(&head).into_owned()))
}

/// A head that says that the connection ends with what it is of.
fn closing(head: &str) -> String {
    head.replacen("\r\n", "\r\nconnection: close\r\n", 1)
}

/// Hands one request on; a connection serves one.
fn one(
    mut client: impl Read + Write,
    behind: u16,
    does: &Mutex<Does>,
    seen: &Mutex<Seen>,
) -> std::io::Result<()> {
    let Some(head) = head_of(&mut client)? else { return Ok(()) };
    let mut byte = [0];
    let length = head.lines().find_map(|line| {
        line.to_ascii_lowercase().strip_prefix("content-length:").and_then(|n| n.trim().parse::<usize>().ok())
    });
    let line = head.lines().next().unwrap_or_default().trim_end_matches(" HTTP/1.1").to_string();
    let does = does.lock().unwrap().clone();
    let _under_way = UnderWay::of(seen, &line);
    let mut body = vec![0; length.unwrap_or(0)];
    match &does {
        Does::Silent => {
            // Held until the other side has had enough.
            while client.read(&mut byte)? > 0 {}
            return Ok(());
        }
        Does::Refuse(method, status, code) if line.starts_with(method) => {
            client.read_exact(&mut body)?;
            let says = format!("<?xml version=\"1.0\"?><Error><Code>{code}</Code></Error>");
            let says = if line.starts_with("HEAD") { String::new() } else { says };
            let length = says.len();
            write!(
                client,
                "HTTP/1.1 {status} No\r\ncontent-length: {length}\r\nconnection: close\r\n\r\n{says}"
            )?;
            return Ok(());
        }
        Does::Page(part) if line.contains(part) => {
            client.read_exact(&mut body)?;
            let says = if line.starts_with("HEAD") { "" } else { PAGE };
            return answer(
                &mut client,
                "content-type: text/html; charset=utf-8\r\netag: \"x\"\r\n",
                PAGE.len(),
                says,
            );
        }
        Does::Empty(part) if line.contains(part) => {
            client.read_exact(&mut body)?;
            let says = "<?xml version=\"1.0\"?><ListBucketResult><KeyCount>0</KeyCount></ListBucketResult>";
            return answer(&mut client, "content-type: application/xml\r\n", says.len(), says);
        }
        Does::Swallow if line.starts_with("PUT") => {
            client.read_exact(&mut body)?;
            return answer(&mut client, "etag: \"x\"\r\n", 0, "");
        }
        _ => {}
    }
    client.read_exact(&mut body)?;
    if let Does::Dawdle(part, time) = does
        && line.contains(part)
    {
        // A slow line is one on which time passes.
        let began = Instant::now();
        while began.elapsed() < time {
            std::thread::park_timeout(time - began.elapsed());
        }
    }
    if let Does::Together(part, count) = does
        && line.contains(part)
    {
        seen.lock().unwrap().kept += 1;
        let is_enough = || {
            let mut seen = seen.lock().unwrap();
            seen.enough |= seen.kept >= count;
            seen.enough
        };
        until("enough requests", is_enough);
    }
    let mut server = TcpStream::connect(("127.0.0.1", behind))?;
    server.write_all(closing(&head).as_bytes())?;
    for piece in body.chunks(1 << 16) {
        let mut seen = seen.lock().unwrap();
        seen.sent += piece.len();
        if matches!(does, Does::Stall(at) if seen.sent > at) {
            seen.stalled = true;
            drop(seen);
            while client.read(&mut byte)? > 0 {}
            return Ok(());
        }
        drop(seen);
        server.write_all(piece)?;
    }
    // Who asks must know that the connection serves one: it would ask on it again, in vain, and then anew.
    let Some(head) = head_of(&mut server)? else { return Ok(()) };
    client.write_all(closing(&head).as_bytes())?;
    let mut piece = vec![0; if does == Does::Slow { 512 } else { 1 << 16 }];
    let mut room = match &does {
        Does::Hold(part, bytes) if line.contains(part) => *bytes,
        Does::Cut(part, bytes, times) if line.contains(part) && seen.lock().unwrap().cut < *times => *bytes,
        _ => usize::MAX,
    };
    loop {
        let n = server.read(&mut piece)?.min(room);
        if n == 0 {
            break;
        }
        client.write_all(&piece[..n])?;
        room -= n;
        if does == Does::Slow {
            std::thread::yield_now();
        }
    }
    if room == 0 && matches!(does, Does::Cut(..)) {
        seen.lock().unwrap().cut += 1;
    } else if room == 0 {
        seen.lock().unwrap().stalled = true;
        while client.read(&mut byte)? > 0 {}
    }
    Ok(())
}
