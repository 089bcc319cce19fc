//! The `[labels]` section: what labels say of the dairy and its cheeses, and how they are
//! laid out.

use std::path::Path;

use facts::RecipeId;
use gs1::Gtin;
use labels::{Dairy, Dpi, Kind, Label, Product, Templates};
use recipe::{Located, Milk, Origin, Recipe};
use serde::Deserialize;
use toml::Spanned;

use crate::{Site, SiteError};

/// What labels say, beside what the recipes say.
#[derive(Debug, Clone, Default)]
pub struct Labels {
    /// The domain of Digital Link addresses, if the dairy has one.
    pub link: Option<String>,
    /// How a cheese is to be kept, unless its own text says otherwise.
    pub storage: Option<String>,
    /// The cheeses' own texts.
    pub products: Vec<ProductText>,
    /// How each kind of label is laid out.
    pub templates: Templates,
}

/// What labels say of one cheese.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductText {
    /// The recipe it is made by.
    pub recipe: RecipeId,
    /// Its trade item number.
    pub gtin: Option<Gtin>,
    /// How it is to be kept.
    pub storage: Option<String>,
    /// Its ingredients, `**milk**` emphasised.
    pub ingredients: Option<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LabelsTable {
    link: Option<Spanned<String>>,
    storage: Option<String>,
    #[serde(default)]
    templates: Vec<Spanned<String>>,
    #[serde(default)]
    product: Vec<ProductTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProductTable {
    recipe: Spanned<RecipeId>,
    gtin: Option<Spanned<String>>,
    storage: Option<String>,
    ingredients: Option<String>,
}

impl Site {
    /// What labels say of the dairy.
    #[must_use]
    pub fn dairy(&self) -> Dairy {
        Dairy {
            name: self.name.clone(),
            identification_mark: self.identification_mark.clone(),
            link: self.labels.link.clone(),
        }
    }
}

impl Labels {
    /// What labels say of the cheese that a recipe makes.
    #[must_use]
    pub fn product(&self, recipe: &Recipe) -> Product {
        let text = self.products.iter().find(|text| text.recipe == recipe.id);
        let own = |of: fn(&ProductText) -> &Option<String>| text.and_then(|text| of(text).clone());
        Product {
            name: recipe.name.clone(),
            raw_milk: recipe.milk == Milk::Raw,
            gtin: text.and_then(|text| text.gtin),
            storage: own(|text| &text.storage).or_else(|| self.storage.clone()),
            ingredients: own(|text| &text.ingredients),
        }
    }
}

pub(crate) fn read(
    origin: &Origin<'_>,
    folder: &Path,
    open: impl Fn(&Path) -> Result<String, String>,
    table: &LabelsTable,
    site: &Site,
) -> Result<Labels, SiteError> {
    let mut labels = Labels {
        link: read_link(origin, table.link.as_ref())?,
        storage: table.storage.clone(),
        products: Vec::new(),
        templates: read_templates(origin, folder, open, &table.templates)?,
    };
    for product in &table.product {
        labels
            .products
            .push(read_product(origin, product, &labels.products, site)?);
    }
    check_fit(origin, table, &labels, site)?;
    Ok(labels)
}

fn read_link(
    origin: &Origin<'_>,
    link: Option<&Spanned<String>>,
) -> Result<Option<String>, Located> {
    let Some(link) = link else {
        return Ok(None);
    };
    let example =
        gs1::read("(01)12345678901231").and_then(|it| Ok(it.digital_link(link.get_ref())?));
    match example {
        Ok(_) => Ok(Some(link.get_ref().clone())),
        Err(error) => Err(origin.error(link.span(), format!("link: {error}"))),
    }
}

fn read_templates(
    origin: &Origin<'_>,
    folder: &Path,
    open: impl Fn(&Path) -> Result<String, String>,
    names: &[Spanned<String>],
) -> Result<Templates, SiteError> {
    let mut files = Vec::new();
    for name in names {
        let path = folder.join(name.get_ref());
        let text = open(&path).map_err(|reason| SiteError::File {
            at: Box::new(origin.error(name.span(), "this label template is needed")),
            what: "label template",
            path: path.display().to_string(),
            reason,
        })?;
        files.push((path.display().to_string(), text));
    }
    let origins: Vec<Origin<'_>> = files
        .iter()
        .map(|(file, text)| Origin { file, text })
        .collect();
    Ok(Templates::with(&origins)?)
}

fn read_product(
    origin: &Origin<'_>,
    table: &ProductTable,
    before: &[ProductText],
    site: &Site,
) -> Result<ProductText, Located> {
    let recipe = *table.recipe.get_ref();
    if site.recipes.newest(recipe).is_none() {
        let message = format!("recipe {recipe} is not among the site's recipes");
        return Err(origin.error(table.recipe.span(), message));
    }
    if before.iter().any(|other| other.recipe == recipe) {
        let message = format!("recipe {recipe} stands here twice");
        return Err(origin.error(table.recipe.span(), message));
    }
    let gtin = match &table.gtin {
        Some(text) => Some(
            text.get_ref()
                .parse()
                .map_err(|bad: gs1::BadKey| origin.error(text.span(), format!("gtin: {bad}")))?,
        ),
        None => None,
    };
    Ok(ProductText {
        recipe,
        gtin,
        storage: table.storage.clone(),
        ingredients: table.ingredients.clone(),
    })
}

/// Draws a label of every cheese once, so that a name that does not fit is found here and
/// not when its first wheel is portioned.
fn check_fit(
    origin: &Origin<'_>,
    table: &LabelsTable,
    labels: &Labels,
    site: &Site,
) -> Result<(), Located> {
    for recipe in site.recipes.iter() {
        for kind in [Kind::Wheel, Kind::Case] {
            let Ok(mut sample) = kind.sample() else {
                continue; // ours, and tested
            };
            let product = labels.product(recipe);
            let dairy = Dairy {
                link: labels.link.clone(),
                ..site.dairy()
            };
            match &mut sample {
                Label::Wheel(wheel) => (wheel.product, wheel.dairy) = (product, dairy),
                Label::Case(case) => (case.product, case.dairy) = (product, dairy),
                _ => {}
            }
            for dpi in [Dpi::D203, Dpi::D300] {
                if let Err(error) = labels.templates.draw_label(&sample, dpi) {
                    let own = |product: &&ProductTable| *product.recipe.get_ref() == recipe.id;
                    let at = table.product.iter().find(own);
                    let at = at.map_or(0..0, |product| product.recipe.span());
                    let message = format!(
                        "the {kind} label of recipe {} v{}: {error}",
                        recipe.id, recipe.version
                    );
                    return Err(origin.error(at, message));
                }
            }
        }
    }
    Ok(())
}
