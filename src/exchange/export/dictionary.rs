//! The data dictionary: what every column of every table is, as a data package of the Frictionless Data
//! specifications (Data Package and Table Schema). Beside exports named like the tables, such as `hours.csv`, its
//! tools check them against it.

use clap::ValueEnum;
use serde_json::{Map, Value, json};

use super::{Column, Kind, What};

/// The package's description, `datapackage.json`.
#[must_use]
pub fn dictionary() -> Value {
    let tables = What::value_variants().iter().filter_map(|what| {
        let name = what.to_possible_value()?.get_name().to_owned();
        let columns = what.columns();
        let fields: Vec<_> = columns.iter().map(field).collect();
        (!fields.is_empty()).then(|| {
            json!({
                "name": name,
                "path": format!("{name}.csv"),
                "profile": "tabular-data-resource",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": { "fields": fields, "missingValues": [""] },
            })
        })
    });
    json!({
        "name": "packdrift",
        "profile": "tabular-data-package",
        "resources": tables.collect::<Vec<_>>(),
    })
}

fn field(column: &Column) -> Value {
    let kind = match column.kind {
        Kind::Instant => "datetime",
        Kind::Text => "string",
        Kind::Number => "number",
        Kind::Integer => "integer",
        Kind::Switch => "boolean",
    };
    let mut field = Map::new();
    field.insert("name".into(), column.name.into());
    field.insert("type".into(), kind.into());
    if let Some(unit) = column.unit() {
        field.insert("unit".into(), unit.into());
    }
    field.insert("description".into(), column.meaning.into());
    field.into()
}
