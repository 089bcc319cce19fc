//! From bytes on a wire to lines: noise, wrong settings, pieces.

#![allow(clippy::unwrap_used, clippy::panic)] // a test fails by panicking

use metrology::{Frame, LineCutter, LineFormat, Parity, Suspicion, Unit, Weight};
use proptest::prelude::*;

/// Formats whose lines have a shape that noise does not have by chance, each with how a
/// scale writes a number of grams in it.
type Shape = (&'static str, fn(u32) -> String);

const SHAPES: [Shape; 4] = [
    ("{stable:ST|US},{net:NT|GS},{sign}{number}{unit}", |g| {
        format!("ST,GS,+{:>4}.{:03}kg\r\n", g / 1_000, g % 1_000)
    }),
    (
        "{number:width=8}{unit:K=kg|L=lb}{net:N|G}{stable:|M|O}",
        |g| format!("\u{2}{:>4}.{:03}KG \r\n", g / 1_000, g % 1_000),
    ),
    ("={number:kg,width=9}", |g| {
        format!("={:>5}.{:03}\r\n", g / 1_000, g % 1_000)
    }),
    ("{net:NET|GROSS} {number} {unit}", |g| {
        format!("GROSS {g:>8} g\r\n")
    }),
];

/// Any bytes, and often those that lines are made of.
fn noise() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![
        1 => any::<u8>(),
        2 => proptest::sample::select(b"0123456789.+-=STGNUKkgROE,\r\n\x02\x03 ".to_vec()),
    ];
    proptest::collection::vec(byte, 0..40)
}

fn weights(format: &LineFormat, bytes: &[u8]) -> Vec<Weight> {
    let lines = LineCutter::in_the_middle().take(bytes);
    let frames = lines.iter().filter_map(|line| format.read(line).ok());
    frames.map(|frame: Frame| frame.weight).collect()
}

proptest! {
    #[test]
    fn noise_between_lines_never_makes_a_weight_that_was_not_sent(
        shape in 0..SHAPES.len(),
        sent in proptest::collection::vec(
            (0u32..30_000, noise()), 1..12),
    ) {
        let (format, write) = SHAPES[shape];
        let format = format.parse().unwrap();
        let mut bytes = Vec::new();
        for (grams, noise) in &sent {
            bytes.extend(noise);
            bytes.extend(write(*grams).as_bytes());
        }
        let mut wanted = sent.iter().map(|(grams, _)| Weight::grams((*grams).try_into().unwrap()));
        // What is read is some of what was sent, in its order.
        for weight in weights(&format, &bytes) {
            prop_assert!(wanted.any(|sent| sent == weight), "{weight} was not sent");
        }
    }

    #[test]
    fn without_noise_every_weight_is_read(
        shape in 0..SHAPES.len(), sent in proptest::collection::vec(0u32..30_000, 1..12),
    ) {
        let (format, write) = SHAPES[shape];
        let mut bytes = b"\r\n".to_vec();
        bytes.extend(sent.iter().flat_map(|g| write(*g).into_bytes()));
        let wanted: Vec<_> = sent.iter().map(|g| Weight::grams((*g).try_into().unwrap())).collect();
        prop_assert_eq!(weights(&format.parse().unwrap(), &bytes), wanted);
    }

    /// The same number in two units that are a whole power of ten or sixteen apart.
    #[test]
    fn a_weight_is_the_same_whichever_unit_it_is_written_in(digits in 0i64..30_000_000) {
        let new = |digits, decimals, unit| Weight::new(digits, decimals, unit).unwrap();
        prop_assert_eq!(new(digits, 0, Unit::Gram), new(digits, 3, Unit::Kilogram));
        prop_assert_eq!(new(digits, 3, Unit::Pound), new(digits * 16, 3, Unit::Ounce));
    }

    /// Grams to pounds as a scale shows them and back, against rationals worked out here.
    #[test]
    fn grams_survive_a_display_in_pounds_and_ounces(grams in 0i128..2_000_000) {
        // One lb is 45 359 237 / 10^5 g, one oz a sixteenth of it.
        for (unit, name, numerator, denominator) in
            [(Unit::Pound, "lb", 45_359_237, 100_000), (Unit::Ounce, "oz", 45_359_237, 1_600_000)]
        {
            let millionths = (grams * denominator * 1_000_000 * 2 + numerator) / (numerator * 2);
            let shown = format!("{}.{:06}{name}", millionths / 1_000_000, millionths % 1_000_000);
            let frame = "{number}{unit}".parse::<LineFormat>().unwrap().read(&shown).unwrap();
            prop_assert_eq!(frame.weight.to_grams().unwrap().get(), u32::try_from(grams).unwrap());
            let digits = i64::try_from(millionths).unwrap();
            prop_assert_eq!(Some(frame.weight), Weight::new(digits, 6, unit));
        }
    }

    /// Rounding to an interval of a pound scale, against a search.
    #[test]
    fn a_pound_scale_rounds_to_its_own_intervals(digits in 0i64..30_000, tenths in 0i64..10) {
        let lb = |digits, decimals| Weight::new(digits, decimals, Unit::Pound).unwrap();
        let exact = lb(digits * 10 + tenths, 3);
        let nearest = (digits..=digits + 1).map(|d| lb(d, 2)).min_by_key(|w| {
            // Halves go away from zero: up.
            (w.apart(exact), std::cmp::Reverse(*w))
        });
        prop_assert_eq!(Some(exact.rounded_to(lb(1, 2))), nearest);
    }
}

/// The levels of a line in idle, sampled `per_bit` times a bit: what a UART puts on it.
fn levels(text: &str, per_bit: usize, data_bits: u32, parity: Option<Parity>) -> Vec<bool> {
    let mut levels = vec![true; per_bit * 4];
    for byte in text.bytes() {
        let mut bits = vec![false];
        bits.extend((0..data_bits).map(|n| byte >> n & 1 == 1));
        if let Some(parity) = parity {
            let odd = (byte & ((1 << data_bits) - 1) as u8).count_ones() % 2 == 1;
            bits.push(odd == (parity == Parity::Even));
        }
        bits.push(true);
        levels.extend(
            bits.iter()
                .flat_map(|bit| std::iter::repeat_n(*bit, per_bit)),
        );
    }
    levels.extend(std::iter::repeat_n(true, per_bit * 40));
    levels
}

/// What a UART set to 8N1 makes of them: it finds a falling edge and looks at the middle of
/// each bit that it expects.
fn heard(levels: &[bool], per_bit: usize) -> Vec<u8> {
    let (mut at, mut bytes) = (1, Vec::new());
    while at + per_bit * 10 < levels.len() {
        if !levels[at - 1] || levels[at] {
            at += 1;
            continue;
        }
        let bit = |n: usize| levels[at + per_bit * n + per_bit / 2];
        bytes.push((0..8).map(|n| u8::from(bit(n + 1)) << n).sum());
        at += per_bit * 9 + per_bit / 2;
        while at < levels.len() && !levels[at] {
            at += 1;
        }
        at += 1;
    }
    bytes
}

const LINE: &str = "ST,GS,+  11.020kg\r\n";

fn format() -> LineFormat {
    "{stable:ST|US|OL},{net:NT|GS},{sign}{number}{unit}"
        .parse()
        .unwrap()
}

/// The lines in bytes; what is left without a line end too, as after a silence.
fn cut(bytes: &[u8]) -> Vec<String> {
    let mut cutter = LineCutter::default();
    let mut lines = cutter.take(bytes);
    lines.extend(cutter.begun());
    lines
}

#[test]
fn the_right_settings_are_read() {
    let bytes = heard(&levels(&LINE.repeat(3), 48, 8, None), 48);
    assert_eq!(bytes, LINE.repeat(3).as_bytes());
}

#[test]
fn seven_bits_with_parity_read_as_eight_are_known_for_what_they_are() {
    for parity in [Parity::Even, Parity::Odd] {
        let bytes = heard(&levels(&LINE.repeat(3), 48, 7, Some(parity)), 48);
        let lines = cut(&bytes);
        let lines: Vec<_> = lines.iter().filter(|line| line.len() > 2).collect();
        assert_eq!(lines.len(), 3);
        for line in lines {
            assert!(format().read(line).is_err());
            assert_eq!(
                Suspicion::of(line, &format()),
                Some(Suspicion::Parity(parity)),
                "{line:?}"
            );
        }
    }
}

#[test]
fn a_wrong_baud_rate_gives_no_weight_and_is_suspected() {
    // Samples a bit at each usual rate, on a clock that all of them divide.
    let rates = [1_200, 2_400, 4_800, 9_600, 19_200, 38_400];
    let per_bit = |baud: usize| 38_400 * 6 / baud;
    for sent in rates {
        for read in rates {
            if sent == read {
                continue;
            }
            let bytes = heard(
                &levels(&LINE.repeat(60), per_bit(sent), 8, None),
                per_bit(read),
            );
            let lines = cut(&bytes);
            let read_as = lines.iter().filter(|line| format().read(line).is_ok());
            assert_eq!(read_as.count(), 0, "{sent} read at {read}");
            let suspects = lines.iter().filter(|line| line.len() >= 8);
            let suspects: Vec<_> = suspects
                .map(|line| Suspicion::of(line, &format()))
                .collect();
            let right = suspects.iter().filter(|s| **s == Some(Suspicion::Baud));
            assert!(
                right.count() * 2 > suspects.len(),
                "{sent} read at {read}: {suspects:?} of {lines:?}"
            );
        }
    }
}

#[test]
fn a_line_of_text_is_not_suspected() {
    for line in [
        "XX,GS,+  11.020kg",
        "ST;GS;+  11.020kg",
        "READY",
        "\u{2}\u{3}",
    ] {
        assert_eq!(Suspicion::of(line, &format()), None, "{line}");
    }
}
