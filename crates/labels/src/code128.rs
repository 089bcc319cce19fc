//! GS1-128: Code 128 with FNC1 at its start (ISO/IEC 15417). Code sets B and C are enough
//! for the GS1 set of characters.

/// Widths of bar, space, bar … in modules, symbol values 0 to 105.
const WIDTHS: [&str; 106] = [
    "212222", "222122", "222221", "121223", "121322", "131222", "122213", "122312", "132212",
    "221213", "221312", "231212", "112232", "122132", "122231", "113222", "123122", "123221",
    "223211", "221132", "221231", "213212", "223112", "312131", "311222", "321122", "321221",
    "312212", "322112", "322211", "212123", "212321", "232121", "111323", "131123", "131321",
    "112313", "132113", "132311", "211313", "231113", "231311", "112133", "112331", "132131",
    "113123", "113321", "133121", "313121", "211331", "231131", "213113", "213311", "213131",
    "311123", "311321", "331121", "312113", "312311", "332111", "314111", "221411", "431111",
    "111224", "111422", "121124", "121421", "141122", "141221", "112214", "112412", "122114",
    "122411", "142112", "142211", "241211", "221114", "413111", "241112", "134111", "111242",
    "121142", "121241", "114212", "124112", "124211", "411212", "421112", "421211", "212141",
    "214121", "412121", "111143", "111341", "131141", "114113", "114311", "411113", "411311",
    "113141", "114131", "311141", "411131", "211412", "211214", "211232",
];
const STOP: &str = "2331112";
const START_B: u8 = 104;
const START_C: u8 = 105;
const TO_C: u8 = 99;
const TO_B: u8 = 100;
const FNC1: u8 = 102;

/// GS1 General Specifications, 5.4: no more characters than this in one symbol.
pub(crate) const MOST_CHARACTERS: usize = 48;

/// The symbol values of GS1 data from the start character to the check character. `None`
/// when a character is none that Code 128 sets B and C have.
fn values(data: &str) -> Option<Vec<u8>> {
    let mut rest = data.as_bytes();
    let digits = |text: &[u8]| text.iter().take_while(|b| b.is_ascii_digit()).count();
    let mut in_c = digits(rest) >= 2;
    let mut values = vec![if in_c { START_C } else { START_B }, FNC1];
    while let Some((first, after)) = rest.split_first() {
        let run = digits(rest);
        if in_c && run >= 2 {
            values.push((first - b'0') * 10 + (rest.get(1)? - b'0'));
            rest = &rest[2..];
            continue;
        }
        if *first == crate::symbol::FNC1_BYTE {
            values.push(FNC1);
        } else if in_c {
            values.push(TO_B);
            in_c = false;
            continue;
        } else if run >= 4 && run % 2 == 0 {
            values.push(TO_C);
            in_c = true;
            continue;
        } else if (b' '..=b'~').contains(first) {
            values.push(first - b' ');
        } else {
            return None;
        }
        rest = after;
    }
    let sum: usize = values
        .iter()
        .enumerate()
        .map(|(place, value)| place.max(1) * usize::from(*value))
        .sum();
    values.push(u8::try_from(sum % 103).ok()?);
    Some(values)
}

/// Widths of bar, space, bar … in modules of a GS1-128 symbol.
pub(crate) fn bars(data: &str) -> Option<Vec<u32>> {
    let values = values(data)?;
    let widths = values.iter().map(|value| WIDTHS[usize::from(*value)]);
    let widths = widths.chain([STOP]).flat_map(str::bytes);
    Some(widths.map(|width| u32::from(width - b'0')).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_symbol_is_eleven_modules_wide_and_like_no_other() {
        let sum = |widths: &str| widths.bytes().map(|w| u32::from(w - b'0')).sum::<u32>();
        assert!(WIDTHS.iter().all(|widths| sum(widths) == 11));
        assert_eq!(sum(STOP), 13);
        // ISO/IEC 15417: bars are an even number of modules in every character.
        let bars = |widths: &str| {
            widths
                .bytes()
                .step_by(2)
                .map(|w| u32::from(w - b'0'))
                .sum::<u32>()
        };
        assert!(WIDTHS.iter().all(|widths| bars(widths) % 2 == 0));
        let unlike: std::collections::BTreeSet<_> = WIDTHS.iter().collect();
        assert_eq!(unlike.len(), WIDTHS.len());
    }

    #[test]
    fn digits_go_in_pairs_and_the_check_character_is_right() {
        // Start C, FNC1, the pairs; the sum is worked by hand: 105 + 102 + 2·10 + 3·61 + 4·41.
        let made = values("106141").unwrap();
        assert_eq!(
            made,
            [
                105,
                102,
                10,
                61,
                41,
                ((105 + 102 + 20 + 183 + 164) % 103) as u8
            ]
        );
        let mixed = values("10a").unwrap();
        assert_eq!(mixed[..4], [105, 102, 10, 100]);
        assert_eq!(values("é"), None);
    }
}
