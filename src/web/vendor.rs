//! What others have written for browsers, kept here as they published it and served from the program: nothing comes from
//! outside at run time. A version has an address of its own, so that browsers may keep it for good.
//!
//! | what | version | from | licence |
//! |---|---|---|---|
//! | uPlot, charts | 1.6.32 | `npm pack uplot@1.6.32`, files of its `dist` | MIT |

use axum::http::header;
use axum::response::{IntoResponse as _, Response};

/// A file of somebody else's.
#[derive(Clone, Copy, Debug)]
pub(super) struct Vendored {
    /// Where it is served.
    pub path: &'static str,
    kind: &'static str,
    text: &'static str,
    /// SHA-256 of it as its makers published it.
    #[cfg(test)]
    published: &'static str,
}

/// Draws curves that can be read closely.
pub(super) const UPLOT: Vendored = Vendored {
    path: "/vendor/uplot-1.6.32.js",
    kind: "text/javascript; charset=utf-8",
    text: include_str!("assets/vendor/uplot/uPlot.iife.min.js"),
    #[cfg(test)]
    published: "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
};

/// How its parts lie over each other.
pub(super) const UPLOT_STYLE: Vendored = Vendored {
    path: "/vendor/uplot-1.6.32.css",
    kind: "text/css; charset=utf-8",
    text: include_str!("assets/vendor/uplot/uPlot.min.css"),
    #[cfg(test)]
    published: "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
};

/// The licence goes where the files go.
pub(super) const UPLOT_LICENCE: Vendored = Vendored {
    path: "/vendor/uplot-1.6.32.licence.txt",
    kind: "text/plain; charset=utf-8",
    text: include_str!("assets/vendor/uplot/LICENSE"),
    #[cfg(test)]
    published: "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
};

/// All of them.
pub(super) const ALL: [Vendored; 3] = [UPLOT, UPLOT_STYLE, UPLOT_LICENCE];

impl Vendored {
    /// Nobody needs to ask for it twice: what is at this address never changes.
    pub(super) fn answer(self) -> Response {
        let kept = "public, max-age=31536000, immutable";
        ([(header::CONTENT_TYPE, self.kind), (header::CACHE_CONTROL, kept)], self.text).into_response()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whoever changes a file, or takes in another version, notes where it is from and what it is by then.
    #[test]
    fn every_file_is_as_its_makers_published_it() {
        for file in ALL {
            let digest = ring::digest::digest(&ring::digest::SHA256, file.text.as_bytes());
            let hex: String = digest.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
            assert_eq!(hex, file.published, "{}", file.path);
        }
        assert!(UPLOT.text.starts_with("/*! https://github.com/leeoniya/uPlot (v1.6.32) */"));
        assert!(UPLOT_LICENCE.text.contains("The MIT License (MIT)"));
    }
}
