//! The `[gateway]` section: where the pages are, and how they are kept private.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

/// Pages for browsers and an HTTP API.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gateway {
    /// The address it listens on.
    pub listen: SocketAddr,
    /// Its own certificate; without one it speaks plain HTTP.
    pub tls: Option<Tls>,
    /// Whether a proxy stands before it that ends TLS and names the caller in
    /// `X-Forwarded-For`.
    pub behind_proxy: bool,
    /// Where a monitoring system finds how the workers are; it asks nobody who is there.
    pub metrics: Option<SocketAddr>,
    /// The crew file, for the plan on the page of the day.
    pub crew: Option<PathBuf>,
    /// The planned vats, for how full the rooms will be.
    pub makes: Option<PathBuf>,
}

/// A certificate of the dairy's own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tls {
    /// The certificate and those that vouch for it, PEM.
    pub certificate: PathBuf,
    /// Its private key, PEM.
    pub key: PathBuf,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct GatewayTable {
    listen: Spanned<String>,
    certificate: Option<Spanned<String>>,
    key: Option<Spanned<String>>,
    #[serde(default)]
    behind_proxy: bool,
    metrics: Option<Spanned<String>>,
    crew: Option<String>,
    makes: Option<String>,
}

pub(crate) fn read(
    origin: &Origin<'_>,
    folder: &Path,
    table: &GatewayTable,
) -> Result<Gateway, Located> {
    let address = |name: &str, text: &Spanned<String>, such: &str| {
        text.get_ref().parse::<SocketAddr>().map_err(|_| {
            let is = text.get_ref();
            let message = format!("{name} is {is:?}: write an address such as \"{such}\"");
            origin.error(text.span(), message)
        })
    };
    let listen = address("listen", &table.listen, "127.0.0.1:8080")?;
    let metrics = table.metrics.as_ref();
    let metrics = metrics.map(|text| address("metrics", text, "127.0.0.1:9464"));
    let tls = match (&table.certificate, &table.key) {
        (Some(certificate), Some(key)) => Some(Tls {
            certificate: folder.join(certificate.get_ref()),
            key: folder.join(key.get_ref()),
        }),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            let message = "certificate and key belong together: name both files, or neither";
            return Err(origin.error(one.span(), message));
        }
    };
    if tls.is_none() && !table.behind_proxy && !listen.ip().is_loopback() {
        let message = format!(
            "{listen} is open to the network, and PINs would cross it in the clear: name a \
             certificate and its key, or set behind_proxy = true where a proxy ends TLS"
        );
        return Err(origin.error(table.listen.span(), message));
    }
    Ok(Gateway {
        listen,
        tls,
        behind_proxy: table.behind_proxy,
        metrics: metrics.transpose()?,
        crew: table.crew.as_ref().map(|file| folder.join(file)),
        makes: table.makes.as_ref().map(|file| folder.join(file)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn section(text: &str) -> Result<Gateway, String> {
        let origin = Origin {
            file: "site.toml",
            text,
        };
        let table: GatewayTable = origin.toml().map_err(|e| e.to_string())?;
        read(&origin, Path::new("/etc/dairy"), &table).map_err(|e| e.to_string())
    }

    #[test]
    fn files_are_beside_the_site_file_and_a_proxy_or_a_certificate_opens_the_network() {
        let gateway = section("listen = \"127.0.0.1:8080\"\ncrew = \"crew.toml\"").unwrap();
        assert_eq!(gateway.crew, Some("/etc/dairy/crew.toml".into()));
        assert!(section("listen = \"0.0.0.0:80\"\nbehind_proxy = true").is_ok());
        let tls = "listen = \"0.0.0.0:443\"\ncertificate = \"c.pem\"\nkey = \"k.pem\"";
        assert_eq!(
            section(tls).unwrap().tls.unwrap().key,
            Path::new("/etc/dairy/k.pem")
        );
    }

    #[test]
    fn what_is_wrong_is_pointed_at_with_what_would_be_right() {
        for (text, at, says) in [
            ("listen = \"8080\"", "site.toml:1:10", "\"127.0.0.1:8080\""),
            (
                "listen = \"[::1]:80\"\nmetrics = \"9464\"",
                "site.toml:2:11",
                "\"127.0.0.1:9464\"",
            ),
            ("listen = \"0.0.0.0:80\"", "site.toml:1:10", "in the clear"),
            (
                "listen = \"0.0.0.0:80\"\nkey = \"k.pem\"",
                "site.toml:2:7",
                "belong together",
            ),
            ("listen = \"[::1]:80\"\nport = 7", "site.toml:2:1", "port"),
        ] {
            let error = section(text).unwrap_err();
            assert!(error.starts_with(at) && error.contains(says), "{error}");
        }
    }
}
