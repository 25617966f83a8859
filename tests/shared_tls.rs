//! The shared store behind TLS: a service whose certificate is trusted, and those whose is not.
//!
//! Certificates are made by the test and stand in no list of the system's. What trusts them is SSL_CERT_FILE alone.
#![cfg(feature = "s3")]

mod project;

use std::process::Command;
use std::sync::Arc;

use project::Film;
use project::bucket::{KEY, Server};
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair, KeyUsagePurpose};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use serde_json::Value;

/// A certificate with its key, and who issued it, as PEM texts.
struct Certified {
    chain: String,
    key: String,
    issuer: String,
}

/// Issued for a name by an authority of its own.
fn issued(name: &str) -> Certified {
    let authority_key = KeyPair::generate().unwrap();
    let mut authority = CertificateParams::new(Vec::new()).unwrap();
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    authority.key_usages = vec![KeyUsagePurpose::KeyCertSign];
    let issuer = authority.self_signed(&authority_key).unwrap().pem();
    let authority = Issuer::new(authority, authority_key);
    let key = KeyPair::generate().unwrap();
    let params = CertificateParams::new(vec![name.to_string()]).unwrap();
    let chain = params.signed_by(&key, &authority).unwrap().pem();
    Certified { chain, key: key.serialize_pem(), issuer }
}

/// Issued by itself.
fn own(name: &str) -> Certified {
    let key = KeyPair::generate().unwrap();
    let chain = CertificateParams::new(vec![name.to_string()]).unwrap().self_signed(&key).unwrap().pem();
    Certified { issuer: chain.clone(), chain, key: key.serialize_pem() }
}

fn config(certified: &Certified) -> Arc<rustls::ServerConfig> {
    let chain = CertificateDer::pem_slice_iter(certified.chain.as_bytes()).map(Result::unwrap).collect();
    let key = PrivateKeyDer::from_pem_slice(certified.key.as_bytes()).unwrap();
    let config =
        rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()));
    let config = config.with_safe_default_protocol_versions().unwrap().with_no_client_auth();
    Arc::new(config.with_single_cert(chain, key).unwrap())
}

/// Rebuilds a film of four frames that shares by this port, trusting whom a file names; its JSON, and what was told.
fn rebuilt(server: &Server, port: u16, trusted: &str) -> (Value, String) {
    rebuilt_by("https", server, port, trusted)
}

/// The same, by an address that begins so.
fn rebuilt_by(scheme: &str, server: &Server, port: u16, trusted: &str) -> (Value, String) {
    let film = Film::new();
    let shared = server
        .declared()
        .replace(&format!("http://127.0.0.1:{}", server.port), &format!("{scheme}://127.0.0.1:{port}"));
    film.declare(&format!(
        "  br010:\n    plate: shed\n    frames: 1001-1004\n    stages:\n      colour: {{ operator: grade, exposure: 0.5 }}\n{shared}"
    ));
    film.write_plate("shed", 7);
    film.write("trusted.pem", trusted);
    let mut command: Command = film.command(&["rebuild", "--json"]);
    for name in [
        "AWS_PROFILE",
        "AWS_SESSION_TOKEN",
        "AWS_REGION",
        "AWS_ENDPOINT_URL",
        "ENDBOARD_SHARED",
        "SSL_CERT_DIR",
    ] {
        command.env_remove(name);
    }
    command.env("HOME", film.path()).env("AWS_ACCESS_KEY_ID", KEY.0).env("AWS_SECRET_ACCESS_KEY", KEY.1);
    command.env("SSL_CERT_FILE", film.path().join("trusted.pem"));
    let output = command.output().unwrap();
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{errors}");
    let clean = film.clean();
    assert_eq!(film.renders(), clean);
    (serde_json::from_slice(&output.stdout).unwrap(), errors)
}

fn counts(json: &Value) -> (usize, u64) {
    (json["rendered"].as_array().unwrap().len(), json["shared"].as_u64().unwrap())
}

#[test]
fn a_service_is_used_whose_certificate_is_trusted_and_no_other() {
    let Some(server) = Server::start() else { return };
    for certified in [issued("127.0.0.1"), own("127.0.0.1")] {
        let port = server.secured(config(&certified));
        // One issued by another who is not trusted here gets nothing, not even to know what is asked for.
        server.forget();
        let (json, errors) = rebuilt(&server, port, &issued("127.0.0.1").issuer);
        assert_eq!(counts(&json), (4, 0), "{json}");
        assert!(errors.contains("its certificate is of nobody who is trusted here"), "{errors}");
        assert!(
            errors.contains("SSL_CERT_FILE") && errors.contains("going on with what is here"),
            "{errors}"
        );
        assert_eq!(errors.matches("its certificate").count(), 1, "told once: {errors}");
        assert_eq!((server.requests().len(), server.files("/film/").len()), (0, 0), "{errors}");
        // Trusted, it takes renders from one member and gives them to the next.
        let (json, errors) = rebuilt(&server, port, &certified.issuer);
        assert_eq!((counts(&json), errors.as_str()), ((4, 0), ""), "{json}");
        assert_eq!(server.files("/objects/").len(), 4);
        let (json, errors) = rebuilt(&server, port, &certified.issuer);
        assert_eq!((counts(&json), errors.as_str()), ((0, 4), ""), "{json}");
        server.files("/film/").iter().for_each(|file| std::fs::remove_file(file).unwrap());
    }
}

#[test]
fn a_certificate_of_another_name_and_a_list_of_nobody_are_told_apart() {
    let Some(server) = Server::start() else { return };
    let other = issued("lamp.example");
    let port = server.secured(config(&other));
    let (json, errors) = rebuilt(&server, port, &other.issuer);
    assert_eq!(counts(&json), (4, 0), "{json}");
    assert!(errors.contains("its certificate is of another name than its address"), "{errors}");
    let (json, errors) = rebuilt(&server, port, "");
    assert_eq!(counts(&json), (4, 0), "{json}");
    assert!(errors.contains("SSL_CERT_FILE can name a file"), "{errors}");
    assert_eq!(server.files("/film/").len(), 0);
}

#[test]
fn a_service_that_is_asked_without_tls_and_speaks_nothing_else_is_told_of() {
    let Some(server) = Server::start() else { return };
    let certified = own("127.0.0.1");
    let port = server.secured(config(&certified));
    let (json, errors) = rebuilt_by("http", &server, port, &certified.issuer);
    assert_eq!(counts(&json), (4, 0), "{json}");
    assert!(errors.contains("speaks no http://") && errors.contains("address, endboard.yaml:"), "{errors}");
    assert_eq!((server.requests().len(), server.files("/film/").len()), (0, 0), "{errors}");
}
