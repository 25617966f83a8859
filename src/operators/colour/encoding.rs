//! Encodings by name: a transfer curve with the primaries that belong to it.
//!
//! Knows the words that a declaration may use and what file types usually carry. Does not know
//! pixels.

use super::primaries::Primaries;
use super::transfer::{ACESCCT, BT1886, LOGC3, LOGC4, PRINTING_DENSITY, REC709, SLOG3, SRGB, Transfer, VLOG};
use crate::operators::WorkingSpace;

/// A transfer curve and primaries.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Encoding {
    /// The curve.
    pub transfer: Transfer,
    /// The primaries.
    pub primaries: Primaries,
}

/// Names of encodings, in the order of [`Encoding::ALL`].
pub const NAMES: [&str; 15] = [
    "linear-rec709",
    "acescg",
    "aces2065-1",
    "linear-rec2020",
    "srgb",
    "rec709",
    "bt1886",
    "pq",
    "hlg",
    "acescct",
    "logc3",
    "logc4",
    "slog3",
    "vlog",
    "printing-density",
];

impl Encoding {
    /// All encodings.
    pub const ALL: [Encoding; 15] = [
        Encoding { transfer: Transfer::Linear, primaries: Primaries::Rec709 },
        Encoding { transfer: Transfer::Linear, primaries: Primaries::Ap1 },
        Encoding { transfer: Transfer::Linear, primaries: Primaries::Ap0 },
        Encoding { transfer: Transfer::Linear, primaries: Primaries::Rec2020 },
        Encoding { transfer: SRGB, primaries: Primaries::Rec709 },
        Encoding { transfer: REC709, primaries: Primaries::Rec709 },
        Encoding { transfer: BT1886, primaries: Primaries::Rec709 },
        Encoding { transfer: Transfer::Pq, primaries: Primaries::Rec2020 },
        Encoding { transfer: Transfer::Hlg, primaries: Primaries::Rec2020 },
        Encoding { transfer: ACESCCT, primaries: Primaries::Ap1 },
        Encoding { transfer: LOGC3, primaries: Primaries::WideGamut3 },
        Encoding { transfer: LOGC4, primaries: Primaries::WideGamut4 },
        Encoding { transfer: SLOG3, primaries: Primaries::SGamut3Cine },
        Encoding { transfer: VLOG, primaries: Primaries::VGamut },
        Encoding { transfer: PRINTING_DENSITY, primaries: Primaries::Rec709 },
    ];

    /// The encoding of that name.
    pub fn named(name: &str) -> Option<Encoding> {
        NAMES.iter().position(|n| *n == name).map(|i| Self::ALL[i])
    }
}

impl WorkingSpace {
    /// The working space of that name; linear BT.709 when it names none.
    pub fn named(name: &str) -> Self {
        if name == "acescg" { Self::AcesCg } else { Self::LinearRec709 }
    }

    /// The working space as an encoding.
    pub fn encoding(self) -> Encoding {
        match self {
            WorkingSpace::LinearRec709 => Encoding::ALL[0],
            WorkingSpace::AcesCg => Encoding::ALL[1],
        }
    }
}

/// The encoding that files of a type usually carry, for plates whose declaration says nothing; a name of [`NAMES`].
/// `extension` is the file name's, in any case and without the dot. `float` tells that samples are floating-point;
/// say false where it is not known. `None` for types that are not known.
///
/// EXR is linear by its own specification (OpenEXR technical introduction) and BT.709 when its header names no
/// primaries. PNG, JPEG and whole-number TIFF are sRGB, floating-point TIFF is linear and movies are the BT.709
/// camera curve: common practice, no source. DPX carries printing density unless a declaration says
/// otherwise (SMPTE ST 268 leaves it to a header field that many writers leave empty).
pub fn usual_encoding(extension: &str, float: bool) -> Option<&'static str> {
    match extension.to_ascii_lowercase().as_str() {
        "exr" => Some("linear-rec709"),
        "tif" | "tiff" if float => Some("linear-rec709"),
        "png" | "jpg" | "jpeg" | "tif" | "tiff" => Some("srgb"),
        "dpx" => Some("printing-density"),
        "mp4" | "mov" | "m4v" | "mkv" | "avi" | "mxf" | "webm" | "mpg" | "mpeg" | "ts" => Some("rec709"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_find_their_encodings() {
        for (name, encoding) in NAMES.iter().zip(Encoding::ALL) {
            assert_eq!(Encoding::named(name), Some(encoding));
        }
        assert_eq!(Encoding::named("acescct").unwrap().primaries, Primaries::Ap1);
        assert_eq!(Encoding::named("raw"), None);
        for extension in ["EXR", "png", "dpx", "mov", "tiff"] {
            assert!(Encoding::named(usual_encoding(extension, false).unwrap()).is_some());
        }
        assert_eq!(usual_encoding("tif", true), Some("linear-rec709"));
        assert_eq!(usual_encoding("doc", false), None);
    }
}
