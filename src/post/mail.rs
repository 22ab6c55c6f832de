//! Mail by SMTP.

use std::time::{Duration, SystemTime};

use lettre::message::header::{Header, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MultiPart};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::{SmtpTransport, Transport as _};

use crate::control::Priority;
use crate::notify::Message;
use crate::settings::{MailServer, Security};

use super::{STEP, first_line, trust, with_causes};

/// Hands a message to the server; it has arrived when the server has taken it over. A second try has the same
/// `Message-ID`, by which mail programs show it once.
pub(super) fn send(server: &MailServer, to: &str, message: &Message) -> Result<(), String> {
    let mail = written(server, to, message)?;
    transport(server)?.send(&mail).map(|_| ()).map_err(|error| {
        let what = if error.is_timeout() {
            "the mail server does not answer"
        } else if error.is_permanent() {
            "the mail server refuses it"
        } else {
            "the mail server does not take it"
        };
        format!("{what} ({}:{}): {}", server.host, server.port, with_causes(&error))
    })
}

fn transport(server: &MailServer) -> Result<SmtpTransport, String> {
    let tls = match server.security {
        Security::Clear => Tls::None,
        Security::StartTls => Tls::Required(parameters(server)?),
        Security::Tls => Tls::Wrapper(parameters(server)?),
    };
    let mut builder = SmtpTransport::builder_dangerous(&server.host)
        .port(server.port)
        .tls(tls)
        .timeout(Some(STEP))
        .hello_name(ClientId::Domain("lampwarden.local".to_owned()));
    if let (Some(user), Some(file)) = (&server.username, &server.password_file) {
        builder = builder.credentials(Credentials::new(user.clone(), first_line(file)?));
    }
    Ok(builder.build())
}

fn parameters(server: &MailServer) -> Result<TlsParameters, String> {
    let mut builder = TlsParameters::builder(server.host.clone()).certificate_store(CertificateStore::None);
    for certificate in trust::roots(server.ca_file.as_deref())? {
        // One that cannot be understood among the system's many is no reason not to trust the others.
        if let Ok(certificate) = Certificate::from_der(certificate.to_vec()) {
            builder = builder.add_root_certificate(certificate);
        }
    }
    builder.build_rustls().map_err(|error| format!("TLS: {}", with_causes(&error)))
}

fn written(server: &MailServer, to: &str, message: &Message) -> Result<lettre::Message, String> {
    let from: Mailbox = server.from.parse().map_err(|error| format!("{}: {error}", server.from))?;
    let to: Mailbox = to.parse().map_err(|error| format!("{to}: {error}"))?;
    let domain = server.from.rsplit('@').next().unwrap_or("localhost");
    let made = Duration::try_from_secs_f64(message.made.timestamp() as f64).unwrap_or_default();
    let mut builder = lettre::Message::builder()
        .from(Mailbox::new(Some("Lampwarden".to_owned()), from.email))
        .to(to)
        .subject(&message.subject)
        .message_id(Some(format!("<{}@{domain}>", message.id)))
        .date(SystemTime::UNIX_EPOCH + made)
        .header(AutoSubmitted);
    if message.priority == Priority::Critical {
        builder = builder.header(Important);
    }
    builder
        .multipart(MultiPart::alternative_plain_html(message.text.clone(), message.html.clone()))
        .map_err(|error| format!("the mail cannot be written: {}", with_causes(&error)))
}

/// So that no machine answers it (RFC 3834, 5).
#[derive(Clone)]
struct AutoSubmitted;

/// How mail programs are told that something matters (RFC 2156, 5.3.4).
#[derive(Clone)]
struct Important;

macro_rules! fixed_header {
    ($header:ident, $name:literal, $value:literal) => {
        impl Header for $header {
            fn name() -> HeaderName {
                HeaderName::new_from_ascii_str($name)
            }

            fn parse(_: &str) -> Result<$header, Box<dyn std::error::Error + Send + Sync>> {
                Ok($header)
            }

            fn display(&self) -> HeaderValue {
                HeaderValue::new($header::name(), $value.to_owned())
            }
        }
    };
}

fixed_header!(AutoSubmitted, "Auto-Submitted", "auto-generated");
fixed_header!(Important, "Importance", "high");
