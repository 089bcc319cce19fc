//! PWG Raster (PWG 5102.4): the dots themselves, as IPP label printers take them.

use crate::Bitmap;

/// How a printer wants its dots.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DotType {
    /// One bit a dot, 1 is black: `black_1`.
    Black1,
    /// Eight bits a dot, 255 is black: `black_8`.
    Black8,
    /// One bit a dot, 1 is white: `sgray_1`.
    Grey1,
    /// Eight bits a dot, 255 is white: `sgray_8`.
    Grey8,
}

impl DotType {
    /// Every type, the smallest first.
    pub const ALL: [Self; 4] = [Self::Black1, Self::Grey1, Self::Black8, Self::Grey8];

    /// Its keyword in `pwg-raster-document-type-supported`.
    #[must_use]
    pub const fn keyword(self) -> &'static str {
        match self {
            Self::Black1 => "black_1",
            Self::Black8 => "black_8",
            Self::Grey1 => "sgray_1",
            Self::Grey8 => "sgray_8",
        }
    }

    const fn bits(self) -> u32 {
        match self {
            Self::Black1 | Self::Grey1 => 1,
            Self::Black8 | Self::Grey8 => 8,
        }
    }

    /// PWG 5102.4, table 5: colour space of the page.
    const fn colour_space(self) -> u32 {
        match self {
            Self::Black1 | Self::Black8 => 3,
            Self::Grey1 | Self::Grey8 => 18,
        }
    }

    /// A row in this type, from a row with 1 for white.
    fn row(self, dots: &[u8], width: u32) -> Vec<u8> {
        let white = |x: u32| {
            let byte = dots.get((x / 8) as usize).copied().unwrap_or(0xff);
            byte & (0x80 >> (x % 8)) != 0
        };
        match self {
            Self::Grey1 => dots.to_vec(),
            Self::Black1 => dots.iter().map(|byte| !byte).collect(),
            Self::Grey8 => (0..width).map(|x| if white(x) { 255 } else { 0 }).collect(),
            Self::Black8 => (0..width).map(|x| if white(x) { 0 } else { 255 }).collect(),
        }
    }
}

impl Bitmap {
    /// A PWG Raster file of one page.
    #[must_use]
    pub fn pwg_raster(&self, dots: DotType) -> Vec<u8> {
        let mut file = b"RaS2".to_vec();
        file.extend(self.page_header(dots));
        let rows: Vec<&[u8]> = self.rows().collect();
        for same in rows.chunk_by(|a, b| a == b) {
            // A count byte holds up to 256 rows that are alike.
            for some in same.chunks(256) {
                let Some(row) = some.first() else { continue };
                file.push(u8::try_from(some.len() - 1).unwrap_or(u8::MAX));
                pack(&dots.row(row, self.width()), &mut file);
            }
        }
        file
    }

    /// PWG 5102.4, section 4.3, table 1: 1 796 bytes, numbers big-endian.
    fn page_header(&self, dots: DotType) -> Vec<u8> {
        const LENGTH: usize = 1_796;
        let mut header = vec![0; LENGTH];
        let mut bytes = |at: usize, value: &[u8]| {
            if let Some(place) = header.get_mut(at..at + value.len()) {
                place.copy_from_slice(value);
            }
        };
        bytes(0, b"PwgRaster");
        let mut number = |at, value: u32| bytes(at, &value.to_be_bytes());
        let (width, height) = (self.width(), self.height());
        let per_inch = self.dpi().per_inch();
        let points = |dots: u32| (dots as f32 * 72.0 / per_inch as f32).round() as u32;
        number(276, per_inch);
        number(280, per_inch);
        number(340, 1); // copies
        number(352, points(width));
        number(356, points(height));
        number(372, width);
        number(376, height);
        number(384, dots.bits());
        number(388, dots.bits());
        number(392, (width * dots.bits()).div_ceil(8));
        number(400, dots.colour_space());
        number(420, 1); // colours
        number(452, 1); // pages
        number(456, 1); // not turned over
        number(460, 1);
        number(480, 0x00ff_ffff);
        header
    }
}

/// PackBits by whole bytes: `n` below 128 repeats the next byte `n + 1` times, above 128
/// takes the next `257 - n` bytes as they are.
fn pack(row: &[u8], file: &mut Vec<u8>) {
    let mut rest = row;
    while let Some(first) = rest.first() {
        let alike = rest
            .iter()
            .take(128)
            .take_while(|byte| *byte == first)
            .count();
        let taken = if alike > 1 || rest.len() == 1 {
            file.push(u8::try_from(alike - 1).unwrap_or_default());
            file.push(*first);
            alike
        } else {
            // Until two bytes are alike again; one alone is told as a repeat of one.
            let pairs = rest.windows(2).take(127);
            let unlike = pairs.take_while(|pair| pair[0] != pair[1]).count().max(1);
            if unlike == 1 {
                file.push(0);
            } else {
                file.push(u8::try_from(257 - unlike).unwrap_or_default());
            }
            file.extend(&rest[..unlike]);
            unlike
        };
        rest = &rest[taken..];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn unpack(mut packed: &[u8]) -> Vec<u8> {
        let mut row = Vec::new();
        while let [n, rest @ ..] = packed {
            if *n < 128 {
                row.extend(std::iter::repeat_n(rest[0], usize::from(*n) + 1));
                packed = &rest[1..];
            } else {
                let literal = 257 - usize::from(*n);
                row.extend(&rest[..literal]);
                packed = &rest[literal..];
            }
        }
        row
    }

    proptest! {
        #[test]
        fn a_packed_row_unpacks_to_itself(row in prop::collection::vec(0..4_u8, 0..900)) {
            let mut packed = Vec::new();
            pack(&row, &mut packed);
            prop_assert_eq!(unpack(&packed), row);
        }
    }
}
