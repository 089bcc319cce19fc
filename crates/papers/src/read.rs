//! Reading a papers file: every mistake is told with line and column.

use facts::{LotKind, RecipeId};
use gs1::{Gln, Gtin};
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

use crate::dairy::{Bought, Completed, Customer, Dairy, Imported, Product, Supplier};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    dairy: DairyTable,
    #[serde(default)]
    product: Vec<ProductTable>,
    #[serde(default)]
    customer: Vec<CustomerTable>,
    #[serde(default)]
    supplier: Vec<SupplierTable>,
    #[serde(default)]
    import: Vec<ImportTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DairyTable {
    name: String,
    address: String,
    contact: String,
    domain: Spanned<String>,
    gln: Option<Spanned<String>>,
    completed: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProductTable {
    recipe: Spanned<RecipeId>,
    description: String,
    gtin: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CustomerTable {
    name: String,
    address: String,
    gln: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SupplierTable {
    name: String,
    address: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ImportTable {
    starts: Spanned<String>,
    is: Spanned<String>,
    product: String,
    supplier: String,
}

impl Dairy {
    /// Reads and checks a papers file.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub fn parse(origin: &Origin<'_>) -> Result<Self, Located> {
        let file: File = origin.toml()?;
        let domain = file.dairy.domain.get_ref().trim_end_matches('/').to_owned();
        let host = domain.strip_prefix("https://").unwrap_or_default();
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '/' | ':');
        if host.is_empty() || !host.chars().all(plain) {
            let message = "domain should be a web address such as \"https://id.example.org\"";
            return Err(origin.error(file.dairy.domain.span(), message));
        }
        let mut products: Vec<Product> = Vec::new();
        for table in &file.product {
            let recipe = *table.recipe.get_ref();
            if products.iter().any(|product| product.recipe == recipe) {
                let message = format!("recipe {recipe} is described twice");
                return Err(origin.error(table.recipe.span(), message));
            }
            products.push(Product {
                recipe,
                description: table.description.clone(),
                gtin: table
                    .gtin
                    .as_ref()
                    .map(|gtin| key::<Gtin>(origin, gtin))
                    .transpose()?,
            });
        }
        let customers = file.customer.iter().map(|table| {
            Ok(Customer {
                name: table.name.clone(),
                address: table.address.clone(),
                gln: table
                    .gln
                    .as_ref()
                    .map(|gln| key::<Gln>(origin, gln))
                    .transpose()?,
            })
        });
        let suppliers = file.supplier.into_iter().map(|table| Supplier {
            name: table.name,
            address: table.address,
        });
        let imports = file.import.iter().map(|table| {
            if table.starts.get_ref().is_empty() {
                let message = "starts is empty: it would take every message for this";
                return Err(origin.error(table.starts.span(), message));
            }
            Ok(Imported {
                starts: table.starts.get_ref().clone(),
                is: bought(origin, &table.is)?,
                product: table.product.clone(),
                supplier: table.supplier.clone(),
            })
        });
        Ok(Self {
            completed: completed(origin, &file.dairy.completed)?,
            gln: file
                .dairy
                .gln
                .as_ref()
                .map(|gln| key::<Gln>(origin, gln))
                .transpose()?,
            name: file.dairy.name,
            address: file.dairy.address,
            contact: file.dairy.contact,
            domain,
            products,
            customers: customers.collect::<Result<_, _>>()?,
            suppliers: suppliers.collect(),
            imports: imports.collect::<Result<_, _>>()?,
        })
    }
}

fn key<K: std::str::FromStr>(origin: &Origin<'_>, text: &Spanned<String>) -> Result<K, Located>
where
    K::Err: std::fmt::Display,
{
    let read = text.get_ref().parse();
    read.map_err(|refused: K::Err| origin.error(text.span(), refused.to_string()))
}

fn completed(origin: &Origin<'_>, text: &Spanned<String>) -> Result<Completed, Located> {
    match text.get_ref().as_str() {
        "hooped" => Ok(Completed::Hooped),
        "unhooped" => Ok(Completed::Unhooped),
        other => other
            .strip_prefix("day ")
            .and_then(|days| days.parse().ok())
            .filter(|days| *days <= 400)
            .map(Completed::Day)
            .ok_or_else(|| {
                let message = format!(
                    "completed is {other:?}: write \"hooped\", \"unhooped\" or \"day 60\", as your traceability plan says"
                );
                origin.error(text.span(), message)
            }),
    }
}

fn bought(origin: &Origin<'_>, text: &Spanned<String>) -> Result<Bought, Located> {
    Ok(match text.get_ref().as_str() {
        "milk" => Bought::Milk,
        "culture" => Bought::Lot(LotKind::Culture),
        "rennet" => Bought::Lot(LotKind::Rennet),
        "salt" => Bought::Lot(LotKind::Salt),
        "coating" => Bought::Lot(LotKind::Coating),
        "packaging" => Bought::Lot(LotKind::Packaging),
        "other" => Bought::Lot(LotKind::Other),
        other => {
            let message = format!(
                "is is {other:?}: write milk, culture, rennet, salt, coating, packaging or other"
            );
            return Err(origin.error(text.span(), message));
        }
    })
}
