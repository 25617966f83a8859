//! Times the shared store at 1080p against rendering and against plain gets of the same objects: `cargo bench --bench shared`.
//!
//! Knows a film of two shots that are the same but for a grade, two members' folders, and the server that `ENDBOARD_S3_SERVER`
//! names, on loopback: what a real network adds it does not know. Prints milliseconds a frame; does not judge.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Instant;

use endboard::media::exr::{Compression, encode};
use endboard::media::image::{Image, RGBA};
use object_store::aws::AmazonS3Builder;
use object_store::path::Path as Name;
use object_store::{ClientOptions, ObjectStore, ObjectStoreExt};
use tokio_stream::StreamExt;

const SIZE: (u32, u32) = (1920, 1080);
const FRAMES: i64 = 48;
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
fn plate(frame: i64) -> Vec<u8> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    let mut seed = frame as u64;
    for channel in 0..4 {
        for (at, sample) in image.samples_mut(channel).iter_mut().enumerate() {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let (x, y) = (at as u32 % SIZE.0, at as u32 / SIZE.0);
            let soft = ((x + 7 * frame as u32) as f32 / 300.0).sin() * 0.2 + y as f32 / 4000.0 + 0.3;
            let grain = (seed >> 54) as f32 / 1024.0 * 0.01;
            *sample = half::f16::from_f32(if channel == 3 { 1.0 } else { soft + grain });
        }
    }
    encode(&image, Compression::Zip, &[]).unwrap()
}

fn film(folder: &Path, port: u16, exposure: f64) {
    let last = 1000 + FRAMES;
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
        SIZE.0,
        SIZE.1,
        stages(exposure)
    );
    std::fs::write(folder.join("endboard.yaml"), text).unwrap();
}

/// Milliseconds a render of a rebuild, and what it said.
fn rebuild(folder: &Path, way: &str) -> (f64, String) {
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
    let spent = began.elapsed().as_secs_f64() * 1e3 / (2 * FRAMES) as f64;
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
    let members: Vec<_> = (0..3).map(|_| tempfile::tempdir().unwrap()).collect();
    for member in &members {
        film(member.path(), port, 0.1);
        std::fs::create_dir(member.path().join("plates")).unwrap();
    }
    for frame in 1001..=1000 + FRAMES {
        let bytes = plate(frame);
        for member in &members {
            std::fs::write(member.path().join(format!("plates/shed.{frame}.exr")), &bytes).unwrap();
        }
    }
    println!("{}x{}, two stages of {FRAMES} frames each, ms a render", SIZE.0, SIZE.1);
    let tell = |(ms, said): (f64, String), what: &str| println!("{ms:8.1}  {what}: {said}");
    tell(rebuild(members[0].path(), "off"), "rendered, without the store");
    tell(rebuild(members[1].path(), "take"), "rendered, nothing there (a miss)");
    film(members[1].path(), port, 0.2);
    tell(rebuild(members[1].path(), "both"), "rendered, nothing there, and sent");
    film(members[2].path(), port, 0.2);
    tell(rebuild(members[2].path(), "take"), "taken (a hit)");
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
