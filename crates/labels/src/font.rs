//! The label's own letters: DejaVu Sans, regular and bold, and nothing from the machine, so
//! that a label looks the same wherever it is made.

use std::sync::OnceLock;

use harfrust::{FontRef, ShaperData, UnicodeBuffer};
use skrifa::instance::{LocationRef, Size};
use skrifa::outline::{DrawSettings, OutlinePen};
use skrifa::{GlyphId, MetadataProvider as _};

use crate::drawing::Placed;

/// One of the two faces.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(crate) enum Face {
    Regular,
    Bold,
}

/// A face, read.
pub(crate) struct Font {
    pub data: &'static [u8],
    font: FontRef<'static>,
    shaper: ShaperData,
    /// Font units in an em.
    pub units: f32,
    /// Above the baseline, in ems.
    pub ascent: f32,
    /// Below the baseline, in ems; positive.
    pub descent: f32,
    /// Outlines in ems, up being positive, as far as they were needed.
    outlines: Vec<OnceLock<Outline>>,
}

/// One glyph's outline.
#[derive(Debug, Default)]
pub(crate) struct Outline {
    pub steps: Vec<Step>,
    /// Left, bottom, right and top of its ink; nothing for a blank.
    pub ink: Option<[f32; 4]>,
}

/// One step of an outline, in ems.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Step {
    Move(f32, f32),
    Line(f32, f32),
    Curve(f32, f32, f32, f32),
    Close,
}

/// Words as glyphs, at a size of one em.
#[derive(Debug, Clone)]
pub(crate) struct Shaped {
    pub glyphs: Vec<Placed>,
    /// How far the next words stand, in ems.
    pub advance: f32,
    /// What its ink reaches above and below the baseline and to both sides, in ems; at least
    /// the face's own line, so that lines of unlike letters stand alike.
    pub left: f32,
    pub right: f32,
    pub above: f32,
    pub below: f32,
}

impl Face {
    /// The face, read once. `None` only if the vendored file were damaged.
    pub(crate) fn font(self) -> Option<&'static Font> {
        static REGULAR: OnceLock<Option<Font>> = OnceLock::new();
        static BOLD: OnceLock<Option<Font>> = OnceLock::new();
        match self {
            Self::Regular => REGULAR
                .get_or_init(|| Font::read(include_bytes!("../fonts/DejaVuSans.ttf")))
                .as_ref(),
            Self::Bold => BOLD
                .get_or_init(|| Font::read(include_bytes!("../fonts/DejaVuSans-Bold.ttf")))
                .as_ref(),
        }
    }

    /// What PDF readers call it.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Regular => "DejaVuSans",
            Self::Bold => "DejaVuSans-Bold",
        }
    }
}

impl Font {
    fn read(data: &'static [u8]) -> Option<Self> {
        let font = FontRef::new(data).ok()?;
        let metrics = font.metrics(Size::unscaled(), LocationRef::default());
        let units = f32::from(metrics.units_per_em);
        let glyphs = metrics.glyph_count;
        Some(Self {
            data,
            shaper: ShaperData::new(&font),
            font,
            units,
            ascent: metrics.ascent / units,
            descent: -metrics.descent / units,
            outlines: (0..glyphs).map(|_| OnceLock::new()).collect(),
        })
    }

    /// Sets words side by side: ligatures, kerning and combining marks as the font says. One
    /// direction a call: that of its first strong letter.
    pub(crate) fn shape(&self, words: &str) -> Shaped {
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(words);
        buffer.guess_segment_properties();
        let shaper = self.shaper.shaper(&self.font).build();
        let shaped = shaper.shape(buffer, harfrust::ShapeOptions::new());
        let mut line = Shaped {
            glyphs: Vec::new(),
            advance: 0.0,
            left: 0.0,
            right: 0.0,
            above: self.ascent,
            below: self.descent,
        };
        for (info, at) in shaped.glyph_infos().iter().zip(shaped.glyph_positions()) {
            let glyph = u16::try_from(info.glyph_id).unwrap_or_default();
            let x = line.advance + at.x_offset as f32 / self.units;
            let y = at.y_offset as f32 / self.units;
            if let Some([left, bottom, right, top]) = self.outline(glyph).ink {
                line.left = line.left.min(x + left);
                line.right = line.right.max(x + right);
                line.above = line.above.max(y + top);
                line.below = line.below.max(-(y + bottom));
            }
            line.glyphs.push(Placed {
                glyph,
                x,
                y,
                from: info.cluster as usize,
            });
            line.advance += at.x_advance as f32 / self.units;
        }
        line.right = line.right.max(line.advance);
        line
    }

    pub(crate) fn outline(&self, glyph: u16) -> &Outline {
        static NONE: Outline = Outline {
            steps: Vec::new(),
            ink: None,
        };
        self.outlines
            .get(usize::from(glyph))
            .map_or(&NONE, |kept| kept.get_or_init(|| self.draw(glyph)))
    }

    fn draw(&self, glyph: u16) -> Outline {
        let mut pen = Pen {
            scale: 1.0 / self.units,
            outline: Outline::default(),
        };
        if let Some(drawn) = self.font.outline_glyphs().get(GlyphId::from(glyph)) {
            let settings = DrawSettings::unhinted(Size::unscaled(), LocationRef::default());
            // A glyph that cannot be drawn stays blank; the vendored file has none.
            let _ = drawn.draw(settings, &mut pen);
        }
        pen.outline
    }

    /// A glyph's own advance, in ems.
    pub(crate) fn advance(&self, glyph: u16) -> f32 {
        self.font
            .glyph_metrics(Size::unscaled(), LocationRef::default())
            .advance_width(GlyphId::from(glyph))
            .unwrap_or_default()
            / self.units
    }
}

/// Collects an outline.
struct Pen {
    scale: f32,
    outline: Outline,
}

impl Pen {
    fn reach(&mut self, x: f32, y: f32) -> (f32, f32) {
        let (x, y) = (x * self.scale, y * self.scale);
        let [left, bottom, right, top] = self.outline.ink.get_or_insert([x, y, x, y]);
        (*left, *right) = (left.min(x), right.max(x));
        (*bottom, *top) = (bottom.min(y), top.max(y));
        (x, y)
    }
}

impl OutlinePen for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.reach(x, y);
        self.outline.steps.push(Step::Move(x, y));
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.reach(x, y);
        self.outline.steps.push(Step::Line(x, y));
    }

    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        // The control point bounds the curve: at worst a little room is left unused.
        let (cx, cy) = self.reach(cx, cy);
        let (x, y) = self.reach(x, y);
        self.outline.steps.push(Step::Curve(cx, cy, x, y));
    }

    fn curve_to(&mut self, cx0: f32, cy0: f32, cx1: f32, cy1: f32, x: f32, y: f32) {
        // TrueType outlines have no cubic curves; the middle of the handles is near enough.
        self.quad_to((cx0 + cx1) / 2.0, (cy0 + cy1) / 2.0, x, y);
    }

    fn close(&mut self) {
        self.outline.steps.push(Step::Close);
    }
}
