//! Parts of a long film's page that are unpacked when a reader comes near them.
//!
//! Knows how a part is packed: the very HTML that a short film's page would hold, deflated (RFC 1950) and written in base64, where
//! browsers read it as mere text. `page.js` unpacks it. Does not know what is in it.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use libdeflater::{CompressionLvl, Compressor};
use maud::{Markup, PreEscaped, html};

/// Shots and pieces that are packed together: so many are unpacked in a few milliseconds.
pub const TOGETHER: usize = 50;
/// Lists of more entries than this have the others packed.
const LISTED: usize = 60;

/// What was packed, to stand where it will be drawn.
pub fn pack(markup: &Markup) -> Markup {
    let text = markup.0.as_bytes();
    let mut packer = Compressor::new(CompressionLvl::default());
    let mut bytes = vec![0; packer.zlib_compress_bound(text.len())];
    let length = packer.zlib_compress(text, &mut bytes).expect("there is room for the longest it can be");
    html! { script type="text/plain" data-packed { (PreEscaped(STANDARD.encode(&bytes[..length]))) } }
}

/// A list of entries, each a `li`. Of a very long one the rest is folded up, and drawn when it is unfolded.
pub fn entries(all: &[Markup]) -> Markup {
    let (first, rest) = all.split_at(all.len().min(LISTED));
    html! {
        ul class="entries" { @for one in first { (one) } }
        @if !rest.is_empty() {
            details class="rest" {
                summary { "and " (rest.len()) " more" }
                (pack(&html! { ul class="entries" { @for one in rest { (one) } } }))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_packed_comes_out_as_it_was() {
        let markup = html! { ol { @for n in 0..500 { li { "br" (n) " <&> é" } } } };
        let packed = pack(&markup).into_string();
        assert!(packed.len() * 4 < markup.0.len());
        let text = packed.split_once('>').unwrap().1.strip_suffix("</script>").unwrap();
        let mut bytes = vec![0; markup.0.len()];
        let unpacked = libdeflater::Decompressor::new()
            .zlib_decompress(&STANDARD.decode(text).unwrap(), &mut bytes)
            .unwrap();
        assert_eq!((unpacked, String::from_utf8(bytes).unwrap()), (markup.0.len(), markup.0));
    }
}
