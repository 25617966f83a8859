//! Times the shared store at 1080p against rendering and against plain gets of the same objects: `cargo bench --bench shared`. With
//! `-- far`, takes renders that all lie there by ways that are 80 ms long, there and back.
//!
//! Knows a film of one shot of two stages, members' folders, the server that `ENDBOARD_S3_SERVER` names, on loopback, and a way to it
//! that hands everything on later: how wide a real network is it does not know. Prints milliseconds a frame; does not judge.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::channel;
use std::time::{Duration, Instant};

use endboard::media::exr::{Compression, encode};
use endboard::media::image::{Image, RGBA};
use object_store::aws::AmazonS3Builder;
use object_store::path::Path as Name;
use object_store::{ClientOptions, ObjectStore, ObjectStoreExt};
use tokio_stream::StreamExt;

/// Frame size and frames of the films.
type Of = ((u32, u32), i64);
const LARGE: Of = ((1920, 1080), 48);
const SMALL: Of = ((320, 180), 240);
/// How long a far way takes, there and back.
const FAR: Duration = Duration::from_millis(80);
const KEY: (&str, &str) = ("BRINELAMP", "saltworks");

/// A server that ends with the bench.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A picture of soft light with a little grain, which packs as films do.
fn plate(size: (u32, u32), frame: i64) -> Vec<u8> {
    let mut image = Image::new(size.0, size.1, &RGBA);
    let mut seed = frame as u64;
    for channel in 0..4 {
        for (at, sample) in image.samples_mut(channel).iter_mut().enumerate() {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let (x, y) = (at as u32 % size.0, at as u32 / size.0);
            let soft = ((x + 7 * frame as u32) as f32 / 300.0).sin() * 0.2 + y as f32 / 4000.0 + 0.3;
            let grain = (seed >> 54) as f32 / 1024.0 * 0.01;
            *sample = half::f16::from_f32(if channel == 3 { 1.0 } else { soft + grain });
        }
    }
    encode(&image, Compression::Zip, &[]).unwrap()
}

fn film(folder: &Path, (size, frames): Of, port: u16, exposure: f64) {
    let last = 1000 + frames;
    let stages = |exposure: f64| {
        format!(
            "    plate: shed\n    frames: 1001-{last}\n    stages:\n      even: {{ operator: \
             grade, exposure: {exposure} }}\n      calm: {{ operator: grade, saturation: 0.8, from: {{ picture: even }} }}\n"
        )
    };
    let text = format!(
        "film: The Brine Lamp\nrate: 24\nframe_size: {}x{}\nplates:\n  shed: {{ files: plates/shed.####.exr, frames: \
         1001-{last}, encoding: linear-rec709 }}\nshots:\n  br010:\n{}shared: {{ at: s3://brine/film, endpoint: \
         'http://127.0.0.1:{port}' }}\n",
        size.0,
        size.1,
        stages(exposure)
    );
    std::fs::write(folder.join("endboard.yaml"), text).unwrap();
}

/// Folders of so many members with the plates of a film.
fn members(count: usize, (size, frames): Of) -> Vec<tempfile::TempDir> {
    let members: Vec<_> = (0..count).map(|_| tempfile::tempdir().unwrap()).collect();
    members.iter().for_each(|member| std::fs::create_dir(member.path().join("plates")).unwrap());
    for frame in 1001..=1000 + frames {
        let bytes = plate(size, frame);
        for member in &members {
            std::fs::write(member.path().join(format!("plates/shed.{frame}.exr")), &bytes).unwrap();
        }
    }
    members
}

/// A way to a port of this machine that hands on what comes half of `FAR` later, and the first of each connection so much later as its
/// being made takes. Gives the way's port.
fn far(port: u16) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let way = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for near in listener.incoming().flatten() {
            let there = TcpStream::connect(("127.0.0.1", port)).unwrap();
            for stream in [&near, &there] {
                stream.set_nodelay(true).unwrap();
            }
            let (back, forth) = (there.try_clone().unwrap(), near.try_clone().unwrap());
            later(forth, there, FAR);
            later(back, near, Duration::ZERO);
        }
    });
    way
}

/// Hands on what one side says, half of `FAR` later, and the first of it `more` later.
fn later(mut from: TcpStream, mut to: TcpStream, more: Duration) {
    let (put, take) = channel::<(Instant, Vec<u8>)>();
    std::thread::spawn(move || {
        let ready = Instant::now() + more;
        let mut bytes = vec![0; 1 << 16];
        while let Ok(n @ 1..) = from.read(&mut bytes) {
            if put.send((Instant::now().max(ready) + FAR / 2, bytes[..n].to_vec())).is_err() {
                return;
            }
        }
    });
    std::thread::spawn(move || {
        for (when, bytes) in take {
            std::thread::sleep(when.saturating_duration_since(Instant::now()));
            if to.write_all(&bytes).is_err() {
                return;
            }
        }
        let _ = to.shutdown(Shutdown::Write);
    });
}

/// Milliseconds a render of a rebuild, and what it said.
fn rebuild(folder: &Path, frames: i64, way: &str) -> (f64, String) {
    let began = Instant::now();
    let out = Command::new(env!("CARGO_BIN_EXE_endboard"))
        .arg("-C")
        .arg(folder)
        .args(["rebuild", "--sharing", way])
        .env("AWS_ACCESS_KEY_ID", KEY.0)
        .env("AWS_SECRET_ACCESS_KEY", KEY.1)
        .output()
        .unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let spent = began.elapsed().as_secs_f64() * 1e3 / (2 * frames) as f64;
    let said = [out.stdout, out.stderr].concat();
    (spent, String::from_utf8_lossy(&said).lines().collect::<Vec<_>>().join(" | "))
}

fn main() {
    let Some(program) = std::env::var_os("ENDBOARD_S3_SERVER") else {
        println!("ENDBOARD_S3_SERVER names no server: nothing timed");
        return;
    };
    let root = tempfile::tempdir().unwrap();
    std::fs::create_dir(root.path().join("brine")).unwrap();
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let server = Command::new(program)
        .args(["--host", "127.0.0.1", "--port", &port.to_string()])
        .args(["--access-key", KEY.0, "--secret-key", KEY.1])
        .arg(root.path())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let _server = Server(server.unwrap());
    while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
        std::thread::yield_now();
    }
    match std::env::args().any(|word| word == "far") {
        true => [LARGE, SMALL].into_iter().for_each(|of| from_afar(of, port)),
        false => near(LARGE, port),
    }
}

fn tell((ms, said): (f64, String), what: &str) {
    println!("{ms:8.1}  {what}: {said}");
}

/// Takes renders that all lie there, by the near way and by the far one.
fn from_afar(of @ (size, frames): Of, port: u16) {
    let members = members(3, of);
    let way = far(port);
    println!("{}x{}, two stages of {frames} frames each, ms a render", size.0, size.1);
    for (member, (port, way, what)) in members.iter().zip([
        (port, "both", "rendered, and sent"),
        (port, "take", "taken"),
        (way, "take", "taken by the far way"),
    ]) {
        film(member.path(), of, port, 0.1);
        tell(rebuild(member.path(), frames, way), what);
    }
}

fn near(of @ (size, frames): Of, port: u16) {
    let members = members(3, of);
    members.iter().for_each(|member| film(member.path(), of, port, 0.1));
    println!("{}x{}, two stages of {frames} frames each, ms a render", size.0, size.1);
    tell(rebuild(members[0].path(), frames, "off"), "rendered, without the store");
    tell(rebuild(members[1].path(), frames, "take"), "rendered, nothing there (a miss)");
    film(members[1].path(), of, port, 0.2);
    tell(rebuild(members[1].path(), frames, "both"), "rendered, nothing there, and sent");
    film(members[2].path(), of, port, 0.2);
    tell(rebuild(members[2].path(), frames, "take"), "taken (a hit)");
    plain(port);
}

/// The same objects by the crate alone, one after the other, and looks for what is not there.
fn plain(port: u16) {
    // The client is built without a provider of its own, as the program's is.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let store = std::sync::Arc::new(
        AmazonS3Builder::new()
            .with_bucket_name("brine")
            .with_region("us-east-1")
            .with_access_key_id(KEY.0)
            .with_secret_access_key(KEY.1)
            .with_endpoint(format!("http://127.0.0.1:{port}"))
            .with_client_options(ClientOptions::new().with_allow_http(true))
            .build()
            .unwrap(),
    );
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let mut names = Vec::new();
        let mut list = store.list(Some(&Name::from("film/objects")));
        while let Some(meta) = list.next().await {
            names.push(meta.unwrap().location);
        }
        let began = Instant::now();
        let mut bytes = 0;
        for name in &names {
            bytes += store.get(name).await.unwrap().bytes().await.unwrap().len();
        }
        let spent = began.elapsed().as_secs_f64();
        let (each, mb) = (spent * 1e3 / names.len() as f64, bytes as f64 / 1e6);
        println!(
            "{each:8.1}  plain get: {} objects of {:.1} MB, {:.0} MB/s",
            names.len(),
            mb / names.len() as f64,
            mb / spent
        );
        let began = Instant::now();
        let mut hands = tokio::task::JoinSet::new();
        for lane in 0..4 {
            let (store, names) = (store.clone(), names.clone());
            hands.spawn(async move {
                for name in names.iter().skip(lane).step_by(4) {
                    store.get(name).await.unwrap().bytes().await.unwrap();
                }
            });
        }
        hands.join_all().await;
        let each = began.elapsed().as_secs_f64() * 1e3 / names.len() as f64;
        println!("{each:8.1}  the same, four at a time");
        let began = Instant::now();
        for n in 0..200 {
            assert!(store.head(&Name::from(format!("film/actions/none{n}"))).await.is_err());
        }
        println!("{:8.2}  plain look for what is not there", began.elapsed().as_secs_f64() * 1e3 / 200.0);
    });
}
