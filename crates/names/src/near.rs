//! Which codes a person may have meant.

use strsim::{jaro_winkler, osa_distance};

/// Codes that are offered.
const OFFERED: usize = 3;

/// Where there are no more than so many, all are offered before none is.
const FEW: usize = 6;

/// A beginning that codes share counts from here on.
const BEGINNING: usize = 3;

/// How alike codes with the same beginning must be, 0 to 1.
const ALIKE: f64 = 0.8;

/// The codes nearest to what was asked, the nearest first, and whether there are any codes.
pub(crate) fn nearest<S: AsRef<str>>(
    asked: &str,
    known: impl IntoIterator<Item = S>,
) -> (Vec<String>, bool) {
    let asked = asked.to_ascii_uppercase();
    // A mistyped character in three is as much as still points at a code.
    let most = (asked.chars().count() / 3).max(1);
    let mut near: Vec<(usize, String)> = Vec::new();
    let mut few: Vec<String> = Vec::new();
    let mut any = 0_usize;
    for code in known {
        let code = code.as_ref();
        any += 1;
        if any <= FEW {
            few.push(code.to_owned());
        }
        let upper = code.to_ascii_uppercase();
        let shared = asked.bytes().zip(upper.bytes());
        let shared = shared.take_while(|(a, b)| a == b).count();
        // The lengths alone tell that most are not near.
        let close = asked.len().abs_diff(upper.len()) <= most;
        let distance = if close || shared >= BEGINNING {
            osa_distance(&asked, &upper)
        } else {
            usize::MAX
        };
        if distance <= most || (shared >= BEGINNING && jaro_winkler(&asked, &upper) >= ALIKE) {
            near.push((distance, code.to_owned()));
        }
        // Of many, only the best are kept.
        if near.len() >= 64 {
            keep_best(&mut near);
        }
    }
    keep_best(&mut near);
    if near.is_empty() && any <= FEW {
        few.sort_unstable();
        return (few, any > 0);
    }
    let codes = near.into_iter().map(|(_, code)| code);
    (codes.collect(), any > 0)
}

fn keep_best(near: &mut Vec<(usize, String)>) {
    near.sort_unstable();
    near.dedup();
    near.truncate(OFFERED);
}
