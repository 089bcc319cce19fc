//! The templates of a dairy: our own, and those that it replaces.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use recipe::{Located, Origin};

use crate::template::Template;
use crate::{Kind, LabelError};

/// Our own templates, by the file's name.
const OURS: [(&str, &str); 7] = [
    ("wheel.toml", include_str!("../templates/wheel.toml")),
    ("case.toml", include_str!("../templates/case.toml")),
    ("stillage.toml", include_str!("../templates/stillage.toml")),
    ("room.toml", include_str!("../templates/room.toml")),
    ("position.toml", include_str!("../templates/position.toml")),
    ("action.toml", include_str!("../templates/action.toml")),
    ("badge.toml", include_str!("../templates/badge.toml")),
];

/// One template a kind of label.
#[derive(Debug, Clone, Default)]
pub struct Templates {
    /// The dairy's own, in the place of ours.
    replaced: BTreeMap<Kind, Template>,
}

impl Templates {
    /// Our own templates, but for the kinds that these files lay out.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong, also when two files lay out one
    /// kind.
    pub fn with(files: &[Origin<'_>]) -> Result<Self, Located> {
        let mut replaced = BTreeMap::new();
        let mut by = BTreeMap::new();
        for origin in files {
            let template = Template::parse(origin)?;
            let kind = template.kind;
            if let Some(other) = by.insert(kind, origin.file) {
                let message = format!("{other} lays out the {kind} label already");
                return Err(origin.error(0..0, message));
            }
            replaced.insert(kind, template);
        }
        Ok(Self { replaced })
    }

    /// The text of our own template of a kind, to start one's own from.
    #[must_use]
    pub fn ours(kind: Kind) -> &'static str {
        let file = format!("{kind}.toml");
        OURS.iter()
            .find(|(name, _)| **name == file)
            .map_or("", |(_, text)| text)
    }

    /// A kind's width and height in millimetres.
    ///
    /// # Errors
    /// [`LabelError::Draw`] only if our own template were damaged.
    pub fn size_mm(&self, kind: Kind) -> Result<[f32; 2], LabelError> {
        self.of(kind).map(|template| template.size_mm)
    }

    pub(crate) fn of(&self, kind: Kind) -> Result<&Template, LabelError> {
        static OWN: OnceLock<BTreeMap<Kind, Template>> = OnceLock::new();
        let own = OWN.get_or_init(|| {
            let read = OURS.iter().filter_map(|(file, text)| {
                let template = Template::parse(&Origin { file, text }).ok()?;
                Some((template.kind, template))
            });
            read.collect()
        });
        self.replaced
            .get(&kind)
            .or_else(|| own.get(&kind))
            .ok_or_else(|| LabelError::Draw(format!("there is no template of a {kind} label")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_own_templates_are_right_and_one_a_kind() {
        let mut kinds = Vec::new();
        for (file, text) in OURS {
            let template = Template::parse(&Origin { file, text }).unwrap();
            assert_eq!(file, format!("{}.toml", template.kind));
            kinds.push(template.kind);
        }
        assert_eq!(kinds, Kind::ALL);
    }
}
