//! Connections to PostgreSQL, encrypted and checked as the address asks: the parameters `sslmode`, `sslrootcert`,
//! `sslcert` and `sslkey` mean what they mean to PostgreSQL's own programs, which get the same address.
//!
//! Source: PostgreSQL 15, 34.1.2 (parameters) and 34.19 (what each mode protects from).

use diesel::{ConnectionError, ConnectionResult};
use diesel_async::AsyncPgConnection;
use rustls::{
    CertificateError, ClientConfig, DigitallySignedStruct, DistinguishedName, RootCertStore,
    SignatureScheme,
    client::{
        WebPkiServerVerifier,
        danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier},
    },
    crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature},
    pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime, pem::PemObject},
};
use std::{path::Path, sync::Arc};
use tokio_postgres::{Client, Config, NoTls, SimpleQueryMessage, config::SslMode};
use tokio_postgres_rustls::MakeRustlsConnect;

/// What is checked in the server's certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Check {
    Nothing,
    /// That a trusted authority issued it.
    Issuer,
    /// That, and that it names the host.
    IssuerAndName,
}

/// A parsed address: the part that the driver reads, and the parameters that it does not know.
struct Address {
    config: Config,
    encrypted: bool,
    check: Check,
    root: Option<String>,
    certificate: Option<String>,
    key: Option<String>,
}

/// Connects. The error says what is wrong with the address or the certificates.
pub async fn connect(url: &str) -> ConnectionResult<AsyncPgConnection> {
    let address = read(url).map_err(ConnectionError::InvalidConnectionUrl)?;
    if !address.encrypted {
        let (client, connection) = address.config.connect(NoTls).await.map_err(bad)?;
        return AsyncPgConnection::try_from_client_and_connection(client, connection).await;
    }
    let tls = tls(&address).map_err(ConnectionError::InvalidConnectionUrl)?;
    let (client, connection) = address.config.connect(tls).await.map_err(bad)?;
    AsyncPgConnection::try_from_client_and_connection(client, connection).await
}

/// Refuses a pooler that gives each transaction another PostgreSQL session, as session settings, locks and prepared
/// statements would then belong to somebody else. Such a pooler gives a second connection the session that the first
/// has just used.
pub async fn must_keep_its_session(url: &str) -> Result<(), String> {
    let one = bare(url).await?;
    let other = bare(url).await?;
    for _ in 0..3 {
        if session(&one).await? == session(&other).await? {
            return Err(
                "the address leads to a pooler that gives each transaction another session; name PostgreSQL itself, \
                 or let the pooler keep sessions (PgBouncer: pool_mode = session)"
                    .to_owned(),
            );
        }
    }
    Ok(())
}

async fn bare(url: &str) -> Result<Client, String> {
    let failed = |e: ConnectionError| format!("the database does not answer: {e}");
    let address = read(url)?;
    if address.encrypted {
        let (client, connection) =
            (address.config.connect(tls(&address)?).await).map_err(|e| failed(bad(e)))?;
        tokio::spawn(connection);
        return Ok(client);
    }
    let (client, connection) = (address.config.connect(NoTls).await).map_err(|e| failed(bad(e)))?;
    tokio::spawn(connection);
    Ok(client)
}

/// The process id of the server process that answers.
async fn session(client: &Client) -> Result<Option<String>, String> {
    let rows = client.simple_query("SELECT pg_backend_pid()").await;
    let rows = rows.map_err(|e| bad(e).to_string())?;
    Ok(rows.iter().find_map(|row| match row {
        SimpleQueryMessage::Row(row) => row.get(0).map(str::to_owned),
        _ => None,
    }))
}

#[expect(clippy::needless_pass_by_value, reason = "for map_err")]
fn bad(error: tokio_postgres::Error) -> ConnectionError {
    let cause = std::error::Error::source(&error).map(|cause| format!(": {cause}"));
    ConnectionError::BadConnection(format!("{error}{}", cause.unwrap_or_default()))
}

fn read(url: &str) -> Result<Address, String> {
    let (mut mode, mut root, mut certificate, mut key) = (None, None, None, None);
    let (place, parameters) = url.split_once('?').unwrap_or((url, ""));
    let mut others = form_urlencoded::Serializer::new(String::new());
    for (name, value) in form_urlencoded::parse(parameters.as_bytes()) {
        let value = value.into_owned();
        match &*name {
            "sslmode" => mode = Some(value),
            "sslrootcert" => root = Some(value),
            "sslcert" => certificate = Some(value),
            "sslkey" => key = Some(value),
            _ => {
                others.append_pair(&name, &value);
            }
        }
    }
    // The driver takes %20 for a space, and + for a plus.
    let others = others.finish().replace('+', "%20");
    let mut config: Config = if parameters.is_empty() {
        url.parse()
    } else {
        format!("{place}?{others}").parse()
    }
    .map_err(|e| format!("the address of the database cannot be read: {e}"))?;
    let (ssl_mode, check) = match mode.as_deref() {
        Some("disable") => (SslMode::Disable, Check::Nothing),
        None | Some("prefer") => (SslMode::Prefer, Check::Nothing),
        // As PostgreSQL's own programs do: with a root certificate named, the server's certificate is checked.
        Some("require") if root.is_some() => (SslMode::Require, Check::Issuer),
        Some("require") => (SslMode::Require, Check::Nothing),
        Some("verify-ca") => (SslMode::Require, Check::Issuer),
        Some("verify-full") => (SslMode::Require, Check::IssuerAndName),
        Some(other) => {
            return Err(format!(
                "sslmode={other}: must be disable, prefer, require, verify-ca or verify-full"
            ));
        }
    };
    if certificate.is_some() != key.is_some() {
        return Err(
            "sslcert and sslkey go together: give the client's certificate and its key".into(),
        );
    }
    // In the form `host=.. sslmode=..` the driver reads the mode itself.
    if mode.is_some() || url.contains("://") {
        config.ssl_mode(ssl_mode);
    }
    let encrypted = config.get_ssl_mode() != SslMode::Disable;
    Ok(Address {
        config,
        encrypted,
        check,
        root,
        certificate,
        key,
    })
}

/// Sets the cryptography that all clients of this process speak TLS with; call it before the first client is made.
pub fn install_cryptography() {
    // An error means that it is installed already, as in tests that run side by side.
    let _installed = ring::default_provider().install_default();
}

fn tls(address: &Address) -> Result<MakeRustlsConnect, String> {
    let provider = Arc::new(ring::default_provider());
    let verifier = Verifier {
        known: match address.check {
            Check::Nothing => None,
            Check::Issuer | Check::IssuerAndName => {
                let roots = Arc::new(roots(address.root.as_deref())?);
                let built =
                    WebPkiServerVerifier::builder_with_provider(roots, Arc::clone(&provider));
                Some(built.build().map_err(|e| format!("sslrootcert: {e}"))?)
            }
        },
        by_name: address.check == Check::IssuerAndName,
        provider: Arc::clone(&provider),
    };
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| e.to_string())?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(verifier));
    let config = match (&address.certificate, &address.key) {
        (Some(certificate), Some(key)) => {
            let chain = certificates(certificate, "sslcert")?;
            let key =
                PrivateKeyDer::from_pem_file(key).map_err(|e| format!("sslkey={key}: {e}"))?;
            config
                .with_client_auth_cert(chain, key)
                .map_err(|e| format!("sslcert: {e}"))?
        }
        _ => config.with_no_client_auth(),
    };
    Ok(MakeRustlsConnect::new(config))
}

/// The root certificates of the file, or of the system if no file or `system` is named.
fn roots(file: Option<&str>) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    let (found, place) = match file {
        None | Some("system") => (
            rustls_native_certs::load_native_certs().certs,
            "the system's root certificates",
        ),
        Some(file) => (certificates(file, "sslrootcert")?, file),
    };
    let (added, _) = roots.add_parsable_certificates(found);
    if added == 0 {
        return Err(format!(
            "no root certificate in {place}; name one with sslrootcert=FILE"
        ));
    }
    Ok(roots)
}

fn certificates(file: &str, parameter: &str) -> Result<Vec<CertificateDer<'static>>, String> {
    let failed = |e| format!("{parameter}={file}: {e}");
    let read = CertificateDer::pem_file_iter(Path::new(file)).map_err(failed)?;
    let read: Result<Vec<_>, _> = read.collect();
    read.map_err(failed)
}

/// Checks the server's certificate as far as the mode asks. The signatures of the handshake are always checked.
#[derive(Debug)]
struct Verifier {
    /// `None`: any certificate is accepted.
    known: Option<Arc<WebPkiServerVerifier>>,
    by_name: bool,
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Verifier {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        chain: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        ocsp: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let Some(known) = &self.known else {
            return Ok(ServerCertVerified::assertion());
        };
        match known.verify_server_cert(certificate, chain, name, ocsp, now) {
            // The name is checked last, once everything else is right.
            Err(rustls::Error::InvalidCertificate(
                CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
            )) if !self.by_name => Ok(ServerCertVerified::assertion()),
            found => found,
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        let known = &self.provider.signature_verification_algorithms;
        verify_tls12_signature(message, certificate, signed, known)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        let known = &self.provider.signature_verification_algorithms;
        verify_tls13_signature(message, certificate, signed, known)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        let known = &self.provider.signature_verification_algorithms;
        known.supported_schemes()
    }

    fn root_hint_subjects(&self) -> Option<&[DistinguishedName]> {
        None
    }
}
