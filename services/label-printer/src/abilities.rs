//! What a printer says it can do, and the form in which it gets a label.

use std::fmt;

use ipp::prelude::{IppAttribute, IppAttributeGroup, IppValue};
use labels::{DotType, Dpi};

use crate::printer::Trouble;

/// The attributes asked for (RFC 8011, PWG 5100.7, PWG 5102.4).
pub(crate) const ASKED: [&str; 12] = [
    "document-format-supported",
    "media-col-ready",
    "media-ready",
    "media-size-supported",
    "media-supported",
    "printer-is-accepting-jobs",
    "printer-resolution-supported",
    "printer-state",
    "printer-state-reasons",
    "printer-up-time",
    "pwg-raster-document-resolution-supported",
    "pwg-raster-document-type-supported",
];

/// How far a label may be off the size that a printer names, in hundredths of a millimetre.
const NEAR: i32 = 150;

/// A width or height in hundredths of a millimetre: from least to most.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Span {
    least: i32,
    most: i32,
}

/// Labels of a size, or of a range of sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Media {
    width: Span,
    height: Span,
}

/// The form in which a printer gets a label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// The dots themselves.
    PwgRaster(DotType),
    /// The dots as a picture.
    Png,
    /// A page; the printer makes the dots.
    Pdf,
}

impl Form {
    /// Its `document-format`.
    #[must_use]
    pub const fn mime(self) -> &'static str {
        match self {
            Self::PwgRaster(_) => "image/pwg-raster",
            Self::Png => "image/png",
            Self::Pdf => "application/pdf",
        }
    }
}

/// What a printer says of itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Abilities {
    formats: Vec<String>,
    resolutions: Vec<u32>,
    raster_resolutions: Vec<u32>,
    raster_types: Vec<String>,
    ready: Vec<Media>,
    supported: Vec<Media>,
    /// What keeps it from working, in its own words.
    pub(crate) complaints: Vec<String>,
    up_time: i32,
    /// Whether it does nothing at the moment.
    pub(crate) idle: bool,
}

impl Abilities {
    /// Reads the printer's attributes. What it does not say is empty.
    #[must_use]
    pub fn of(printer: &IppAttributeGroup) -> Self {
        let words = |name: &str| -> Vec<String> {
            values(printer, name)
                .filter_map(|value| match value {
                    IppValue::Keyword(word) => Some(word.to_string()),
                    IppValue::MimeMediaType(word) => Some(word.to_string()),
                    IppValue::NameWithoutLanguage(word) => Some(word.to_string()),
                    _ => None,
                })
                .collect()
        };
        let dots = |name: &str| values(printer, name).filter_map(dots_per_inch).collect();
        let sizes = |name: &str| values(printer, name).filter_map(size).collect::<Vec<_>>();
        let number = |name: &str| {
            values(printer, name).find_map(|value| match value {
                IppValue::Integer(number) | IppValue::Enum(number) => Some(*number),
                _ => None,
            })
        };
        let mut ready: Vec<Media> = values(printer, "media-col-ready")
            .filter_map(col_size)
            .collect();
        if ready.is_empty() {
            ready = named_sizes(&words("media-ready"));
        }
        let mut supported = sizes("media-size-supported");
        if supported.is_empty() {
            supported = named_sizes(&words("media-supported"));
        }
        let mut complaints: Vec<String> = words("printer-state-reasons")
            .into_iter()
            .filter(|reason| needs_a_person(reason))
            .collect();
        let accepting = values(printer, "printer-is-accepting-jobs")
            .all(|value| *value != IppValue::Boolean(false));
        if !accepting {
            complaints.push("accepts no jobs".to_owned());
        }
        Self {
            formats: words("document-format-supported"),
            resolutions: dots("printer-resolution-supported"),
            raster_resolutions: dots("pwg-raster-document-resolution-supported"),
            raster_types: words("pwg-raster-document-type-supported"),
            ready,
            supported,
            complaints,
            up_time: number("printer-up-time").unwrap_or_default(),
            // RFC 8011, section 5.4.11: 3 is idle.
            idle: number("printer-state") == Some(3),
        }
    }

    /// Seconds since it was switched on.
    #[must_use]
    pub const fn up_time_s(&self) -> i32 {
        self.up_time
    }

    /// The best form for a label laid out at a resolution: the dots themselves where the
    /// printer has the same, so that no module is moved off the grid.
    ///
    /// # Errors
    /// [`Trouble::Forms`] or [`Trouble::Resolution`].
    pub fn form(&self, dpi: Dpi) -> Result<Form, Trouble> {
        let ours = dpi.per_inch();
        let takes = |mime: &str| self.formats.iter().any(|format| format == mime);
        let same = |dots: &[u32]| dots.iter().any(|dots| dots.abs_diff(ours) <= 1);
        let raster = DotType::ALL
            .into_iter()
            .find(|dots| self.raster_types.iter().any(|ty| ty == dots.keyword()));
        if let Some(dots) = raster
            && takes("image/pwg-raster")
            && same(&self.raster_resolutions)
        {
            return Ok(Form::PwgRaster(dots));
        }
        if takes("image/png") && (self.resolutions.is_empty() || same(&self.resolutions)) {
            return Ok(Form::Png);
        }
        if takes("application/pdf") {
            return Ok(Form::Pdf);
        }
        if takes("image/png") || takes("image/pwg-raster") {
            let mut all: Vec<u32> = [&self.resolutions[..], &self.raster_resolutions].concat();
            all.sort_unstable();
            all.dedup();
            return Err(Trouble::Resolution {
                prints: list(&all),
                says: ours,
            });
        }
        Err(Trouble::Forms(list(&self.formats)))
    }

    /// Whether labels of this size are in it; of a printer that does not say what is in it,
    /// whether it takes them. `Ok(true)`: it says so itself, and may be told the size.
    ///
    /// # Errors
    /// [`Trouble::WrongLabels`].
    pub fn has_labels(&self, width_mm: f32, height_mm: f32) -> Result<bool, Trouble> {
        let known = if self.ready.is_empty() {
            &self.supported
        } else {
            &self.ready
        };
        let (width, height) = (hundredths(width_mm), hundredths(height_mm));
        let fits = |media: &Media| media.width.holds(width) && media.height.holds(height);
        if known.is_empty() || known.iter().any(fits) {
            return Ok(!known.is_empty());
        }
        Err(Trouble::WrongLabels {
            loaded: format!("labels of {}", list(known)),
            needed: format!("{width_mm:.0} x {height_mm:.0} mm"),
        })
    }
}

/// A length in hundredths of a millimetre, as `media-size` has it.
pub(crate) fn hundredths(millimetres: f32) -> i32 {
    (millimetres * 100.0).round() as i32
}

impl Span {
    const fn exactly(length: i32) -> Self {
        Self {
            least: length,
            most: length,
        }
    }

    const fn holds(self, length: i32) -> bool {
        self.least - NEAR <= length && length <= self.most + NEAR
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mm = |length: i32| f64::from(length) / 100.0;
        if self.least == self.most {
            write!(f, "{:.0}", mm(self.least))
        } else {
            write!(f, "{:.0} to {:.0}", mm(self.least), mm(self.most))
        }
    }
}

impl fmt::Display for Media {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} x {} mm", self.width, self.height)
    }
}

fn list(things: &[impl fmt::Display]) -> String {
    let words: Vec<String> = things.iter().take(6).map(ToString::to_string).collect();
    if words.is_empty() {
        "nothing that it names".to_owned()
    } else {
        words.join(" or ")
    }
}

fn values<'a>(
    group: &'a IppAttributeGroup,
    name: &str,
) -> impl Iterator<Item = &'a IppValue> + use<'a> {
    let value = group.get(name).map(IppAttribute::value);
    let (many, one) = match value {
        Some(IppValue::Array(values)) => (Some(values.iter()), None),
        one => (None, one),
    };
    many.into_iter().flatten().chain(one)
}

/// RFC 8011, section 5.1.16: units 3 are dots an inch, 4 dots a centimetre.
fn dots_per_inch(value: &IppValue) -> Option<u32> {
    let IppValue::Resolution {
        cross_feed,
        feed,
        units,
    } = value
    else {
        return None;
    };
    let dots = u32::try_from(*feed).ok().filter(|_| cross_feed == feed)?;
    match units {
        3 => Some(dots),
        4 => Some((f64::from(dots) * 2.54).round() as u32),
        _ => None,
    }
}

/// The size in a `media-col`.
fn col_size(col: &IppValue) -> Option<Media> {
    size(member(col, "media-size")?)
}

/// A `media-size`: numbers, or ranges of them.
fn size(value: &IppValue) -> Option<Media> {
    let span = |name| match member(value, name)? {
        IppValue::Integer(length) => Some(Span::exactly(*length)),
        IppValue::RangeOfInteger { min, max } => Some(Span {
            least: *min,
            most: *max,
        }),
        _ => None,
    };
    Some(Media {
        width: span("x-dimension")?,
        height: span("y-dimension")?,
    })
}

fn member<'a>(value: &'a IppValue, name: &str) -> Option<&'a IppValue> {
    let IppValue::Collection(members) = value else {
        return None;
    };
    let named = |(key, _): &(_, _)| AsRef::<str>::as_ref(key) == name;
    members.iter().find(named).map(|(_, value)| value)
}

/// Sizes in self-describing names (PWG 5101.1): `oe_label_100x60mm`; `…_min_…` and
/// `…_max_…` are the ends of a range.
fn named_sizes(names: &[String]) -> Vec<Media> {
    let mut sizes = Vec::new();
    let mut least = None;
    let mut most = None;
    for name in names {
        let Some((width, height)) = named_size(name) else {
            continue;
        };
        if name.contains("_min_") {
            least = Some((width, height));
        } else if name.contains("_max_") {
            most = Some((width, height));
        } else {
            sizes.push(Media {
                width: Span::exactly(width),
                height: Span::exactly(height),
            });
        }
    }
    if let (Some((width, height)), Some((widest, highest))) = (least, most) {
        sizes.push(Media {
            width: Span {
                least: width,
                most: widest,
            },
            height: Span {
                least: height,
                most: highest,
            },
        });
    }
    sizes
}

fn named_size(name: &str) -> Option<(i32, i32)> {
    let (_, size) = name.rsplit_once('_')?;
    let (size, unit_mm) = size
        .strip_suffix("mm")
        .map(|size| (size, 1.0))
        .or_else(|| size.strip_suffix("in").map(|size| (size, 25.4)))?;
    let (width, height) = size.split_once('x')?;
    let length = |text: &str| {
        let number: f32 = text.parse().ok()?;
        number.is_finite().then(|| hundredths(number * unit_mm))
    };
    Some((length(width)?, length(height)?))
}

/// Whether a `printer-state-reasons` keyword (RFC 8011, section 5.4.12) keeps labels from
/// coming out. Supplies that run low do not yet; `cups-…` is a print server's own progress.
fn needs_a_person(reason: &str) -> bool {
    let progress = ["none", "connecting-to-device", "moving-to-paused"];
    !(progress.contains(&reason)
        || reason.starts_with("cups-")
        || reason.ends_with("-report")
        || reason.split('-').any(|part| part == "low"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn says(formats: &[&str], dots: &[u32], raster: &[u32], types: &[&str]) -> Abilities {
        let owned = |words: &[&str]| words.iter().map(|w| (*w).to_owned()).collect();
        Abilities {
            formats: owned(formats),
            resolutions: dots.to_vec(),
            raster_resolutions: raster.to_vec(),
            raster_types: owned(types),
            ..Abilities::default()
        }
    }

    #[test]
    fn the_dots_themselves_go_where_the_printer_has_the_same() {
        let all = ["application/pdf", "image/png", "image/pwg-raster"];
        let form = |abilities: Abilities| abilities.form(Dpi::D203);
        let raster = says(&all, &[203], &[203], &["srgb_8", "sgray_8", "black_1"]);
        assert_eq!(form(raster), Ok(Form::PwgRaster(DotType::Black1)));
        let grey = says(&all, &[203], &[203], &["sgray_8"]);
        assert_eq!(form(grey), Ok(Form::PwgRaster(DotType::Grey8)));
        // Colours we do not write, or another grid for raster: a picture of the dots.
        let colour = says(&all, &[203], &[203], &["srgb_8"]);
        assert_eq!(form(colour), Ok(Form::Png));
        let silent = says(&["image/png"], &[], &[], &[]);
        assert_eq!(form(silent), Ok(Form::Png));
        // An office printer makes its own dots.
        let office = says(&all, &[600], &[600], &["sgray_8"]);
        assert_eq!(form(office), Ok(Form::Pdf));
    }

    #[test]
    fn a_printer_that_cannot_print_the_label_is_told_apart() {
        let other = says(
            &["image/png", "image/pwg-raster"],
            &[300],
            &[300],
            &["black_1"],
        );
        assert_eq!(
            other.form(Dpi::D203).unwrap_err().to_string(),
            "prints 300 dots an inch, and the site file says 203: correct dpi there. Symbols \
             on a wrong grid are hard to read"
        );
        assert_eq!(other.form(Dpi::D300), Ok(Form::PwgRaster(DotType::Black1)));
        let old = says(&["application/postscript"], &[], &[], &[]);
        assert!(matches!(old.form(Dpi::D203), Err(Trouble::Forms(_))));
    }

    #[test]
    fn labels_of_another_size_are_named() {
        let names = |names: &[&str]| {
            let owned: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
            named_sizes(&owned)
        };
        let with = |ready: &[&str], supported: &[&str]| Abilities {
            ready: names(ready),
            supported: names(supported),
            ..Abilities::default()
        };
        let small = with(&["oe_label_100x60mm"], &["oe_label_4x6in"]);
        assert_eq!(small.has_labels(100.0, 60.0), Ok(true));
        assert_eq!(
            small.has_labels(100.0, 150.0).unwrap_err().to_string(),
            "has labels of 100 x 60 mm in it and needs 100 x 150 mm: load the right labels"
        );
        // Nothing said of what is in it: what it takes counts.
        let any = with(&[], &["custom_min_20x10mm", "custom_max_104x300mm"]);
        assert_eq!(any.has_labels(100.0, 60.0), Ok(true));
        assert!(any.has_labels(120.0, 60.0).is_err());
        // Four inches are 101.6 mm: near enough to labels sold as 100 mm? No.
        assert!(
            with(&["na_index-4x6_4x6in"], &[])
                .has_labels(100.0, 150.0)
                .is_err()
        );
        assert_eq!(with(&[], &[]).has_labels(100.0, 60.0), Ok(false));
    }

    #[test]
    fn only_what_stops_the_labels_is_a_persons_business() {
        for stops in [
            "media-empty-error",
            "media-empty-warning",
            "cover-open",
            "media-jam",
            "paused",
        ] {
            assert!(needs_a_person(stops), "{stops}");
        }
        for goes_on in [
            "none",
            "media-low-warning",
            "toner-low",
            "door-open-report",
            "cups-waiting-for-job-completed",
        ] {
            assert!(!needs_a_person(goes_on), "{goes_on}");
        }
    }
}
