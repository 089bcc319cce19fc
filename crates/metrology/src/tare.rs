//! What hoops weigh, by their type.

use quantity::Grams;

/// Hoops that weigh the same.
#[derive(Debug, Clone, PartialEq)]
pub struct HoopType {
    /// What the dairy calls it.
    pub name: String,
    /// What one weighs, empty.
    pub tare: Grams,
    /// Its hoops' codes; one that ends with `*` stands for every code that begins so.
    pub hoops: Vec<String>,
}

/// The dairy's hoop types.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HoopTypes(Vec<HoopType>);

/// A code given to two types.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{code:?} stands for hoops of the types {first:?} and {second:?}: a hoop has one type")]
pub struct TwoTypes {
    /// The code, or the beginning with its `*`.
    pub code: String,
    /// The type that has it already.
    pub first: String,
    /// The type that wants it too.
    pub second: String,
}

impl HoopTypes {
    /// Adds a type.
    ///
    /// # Errors
    /// [`TwoTypes`] when another type has one of its codes.
    pub fn add(&mut self, hoop_type: HoopType) -> Result<(), TwoTypes> {
        for code in &hoop_type.hoops {
            if let Some(first) = self.0.iter().find(|other| other.hoops.contains(code)) {
                return Err(TwoTypes {
                    code: code.clone(),
                    first: first.name.clone(),
                    second: hoop_type.name,
                });
            }
        }
        self.0.push(hoop_type);
        Ok(())
    }

    /// A hoop's type: the one that names its code, or else the one that names the longest
    /// beginning of it. `None`: hoops of no type are not weighed along.
    #[must_use]
    pub fn of(&self, hoop: &str) -> Option<&HoopType> {
        let fits = |code: &str| match code.strip_suffix('*') {
            Some(begins) => hoop
                .get(..begins.len())
                .is_some_and(|start| start.eq_ignore_ascii_case(begins))
                .then_some(begins.len()),
            None => code.eq_ignore_ascii_case(hoop).then_some(usize::MAX),
        };
        let rated = self.0.iter().filter_map(|hoop_type| {
            let best = hoop_type.hoops.iter().filter_map(|code| fits(code)).max()?;
            Some((best, hoop_type))
        });
        rated.max_by_key(|(best, _)| *best).map(|(_, found)| found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hoop_type(name: &str, tare_g: u32, hoops: &[&str]) -> HoopType {
        HoopType {
            name: name.to_owned(),
            tare: Grams::new(tare_g).unwrap(),
            hoops: hoops.iter().map(|code| (*code).to_owned()).collect(),
        }
    }

    #[test]
    fn a_hoop_has_the_type_that_names_it_best() {
        let mut types = HoopTypes::default();
        types.add(hoop_type("tall", 900, &["H*"])).unwrap();
        types.add(hoop_type("steel", 1_400, &["HS*"])).unwrap();
        types.add(hoop_type("odd", 700, &["HS07", "X1"])).unwrap();
        for (hoop, name) in [
            ("H12", Some("tall")),
            ("HS1", Some("steel")),
            ("HS07", Some("odd")),
            ("HS071", Some("steel")),
            ("X1", Some("odd")),
            ("X12", None),
        ] {
            assert_eq!(types.of(hoop).map(|t| t.name.as_str()), name, "{hoop}");
        }
        assert_eq!(
            types
                .add(hoop_type("new", 1, &["X1"]))
                .unwrap_err()
                .to_string(),
            "\"X1\" stands for hoops of the types \"odd\" and \"new\": a hoop has one type"
        );
    }
}
