//! A certificate authority of a test's own.

use std::{
    fs,
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
};

use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair};

/// It, and its certificate as a file.
pub struct Authority {
    issuer: Issuer<'static, KeyPair>,
    /// The file.
    pub file: PathBuf,
}

impl Authority {
    /// Makes one that is called so.
    pub fn new(folder: &Path, name: &str) -> Self {
        let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(DnType::CommonName, name);
        let key = KeyPair::generate().unwrap();
        let file = folder.join(format!("{name}.pem"));
        fs::write(&file, params.self_signed(&key).unwrap().pem()).unwrap();
        Self {
            issuer: Issuer::new(params, key),
            file,
        }
    }

    /// Certifies a host or client: the files of its certificate and of its key, which is its owner's alone.
    pub fn certify(&self, name: &str) -> (PathBuf, PathBuf) {
        let mut params = CertificateParams::new(vec![name.to_owned()]).unwrap();
        params.distinguished_name.push(DnType::CommonName, name);
        let key = KeyPair::generate().unwrap();
        let certificate = params.signed_by(&key, &self.issuer).unwrap();
        let file = |ending: &str| self.file.with_file_name(format!("{name}.{ending}"));
        fs::write(file("crt"), certificate.pem()).unwrap();
        fs::write(file("key"), key.serialize_pem()).unwrap();
        fs::set_permissions(file("key"), fs::Permissions::from_mode(0o600)).unwrap();
        (file("crt"), file("key"))
    }
}
