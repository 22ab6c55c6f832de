//! Whose certificates are trusted: those of one file, or those of the system.

use std::path::Path;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;

/// Certificate authorities; at least one.
pub(super) fn roots(file: Option<&Path>) -> Result<Vec<CertificateDer<'static>>, String> {
    let Some(file) = file else {
        let found = rustls_native_certs::load_native_certs();
        return match (found.certs.is_empty(), found.errors.first()) {
            (false, _) => Ok(found.certs),
            (true, Some(error)) => Err(format!("the certificate authorities of this system cannot be read: {error}")),
            (true, None) => Err("this system trusts no certificate authority: install ca-certificates".to_owned()),
        };
    };
    let named = |error: &dyn std::fmt::Display| format!("{}: no PEM certificate: {error}", file.display());
    let certificates = CertificateDer::pem_file_iter(file).and_then(Iterator::collect::<Result<Vec<_>, _>>);
    match certificates {
        Ok(certificates) if certificates.is_empty() => Err(named(&"the file holds none")),
        Ok(certificates) => Ok(certificates),
        Err(error) => Err(named(&error)),
    }
}
