//! Places on the label, in whole printer dots.

/// A label printer's resolution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dpi {
    /// 203 dots an inch: 8 dots a millimetre.
    D203,
    /// 300 dots an inch: 11.8 dots a millimetre.
    D300,
}

/// A resolution that no label here is laid out for.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("labels are laid out for printers of 203 or 300 dots an inch, not {0}")]
pub struct UnknownDpi(pub u32);

impl TryFrom<u32> for Dpi {
    type Error = UnknownDpi;
    fn try_from(dots: u32) -> Result<Self, UnknownDpi> {
        match dots {
            203 => Ok(Self::D203),
            300 => Ok(Self::D300),
            other => Err(UnknownDpi(other)),
        }
    }
}

impl Dpi {
    /// Dots in a metre, for the PNG's physical size. 203 is trade shorthand for 203.2.
    #[must_use]
    pub const fn per_metre(self) -> u32 {
        match self {
            Self::D203 => 8_000,
            Self::D300 => 11_811,
        }
    }

    /// A length in (fractions of) dots.
    pub(crate) const fn dots(self, millimetres: f32) -> f32 {
        millimetres * self.per_metre() as f32 / 1_000.0
    }

    /// A length of dots in millimetres.
    pub(crate) const fn millimetres(self, dots: f32) -> f32 {
        dots * 1_000.0 / self.per_metre() as f32
    }

    /// Dots an inch as people and printers say it.
    #[must_use]
    pub const fn per_inch(self) -> u32 {
        match self {
            Self::D203 => 203,
            Self::D300 => 300,
        }
    }
}

/// A rectangle on the label, in dots from the top left corner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slot {
    /// Left edge.
    pub x: u32,
    /// Top edge.
    pub y: u32,
    /// Width.
    pub width: u32,
    /// Height.
    pub height: u32,
}

impl Slot {
    /// A place given in millimetres, moved to whole dots.
    pub(crate) fn mm(dpi: Dpi, [x, y, width, height]: [f32; 4]) -> Self {
        let whole = |length: f32| dpi.dots(length).round() as u32;
        Self {
            x: whole(x),
            y: whole(y),
            width: whole(x + width) - whole(x),
            height: whole(y + height) - whole(y),
        }
    }

    /// The slot less a border of so many dots on the left and right, and on top and bottom.
    pub(crate) fn inset(self, sides: u32, ends: u32) -> Self {
        Self {
            x: self.x + sides,
            y: self.y + ends,
            width: self.width.saturating_sub(2 * sides),
            height: self.height.saturating_sub(2 * ends),
        }
    }

    /// Whether a dot lies in the slot.
    #[must_use]
    pub const fn holds(self, x: u32, y: u32) -> bool {
        x >= self.x && x < self.x + self.width && y >= self.y && y < self.y + self.height
    }

    /// Whether two slots share a dot.
    #[must_use]
    pub const fn overlaps(self, other: Self) -> bool {
        self.x < other.x + other.width
            && other.x < self.x + self.width
            && self.y < other.y + other.height
            && other.y < self.y + self.height
    }
}
