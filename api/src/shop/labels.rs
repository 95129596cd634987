//! Labels: enum values in words, for those who show them to people.

use crate::{
    firm::languages::Language,
    ground::{
        actor::Anyone,
        answers::{self, Reply},
        operations::Operations,
        problem::Problem,
        query::Query,
        text::Text,
    },
};
use actix_web::HttpRequest;
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use std::{collections::BTreeMap, sync::LazyLock};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("public").service(list_public_labels);
}

/// The label of each value, by schema.
type Enums = BTreeMap<String, BTreeMap<String, String>>;

const ENGLISH: &str = "en";

/// By language; all of them are in English.
static LABELS: LazyLock<BTreeMap<String, Enums>> = LazyLock::new(|| {
    let text = include_str!("labels.json");
    serde_json::from_str(text).expect("labels.json is part of the program, and tested")
});

/// What to show people in place of enum values.
#[derive(Debug, Serialize, ToSchema)]
// Python clients confuse a schema with its own member of the same name.
#[schema(as = ValueLabels, example = json!({"language": "de", "languages": ["de", "en", "fr"],
    "labels": {"Fuel": {"coal": "Kohle", "wood": "Holz", "oil": "Öl", "gas": "Gas", "spirit": "Spiritus", "electric": "Elektrisch"}}}))]
pub struct Labels {
    /// The language asked for, or the nearest that there is.
    #[schema(value_type = Language)]
    language: String,
    /// All languages that there are labels in.
    #[schema(value_type = Vec<Language>, max_items = 100)]
    languages: Vec<&'static String>,
    /// Labels by schema name and value. Those not translated yet are in English.
    #[schema(value_type = BTreeMap<Text<100>, BTreeMap<Text<100>, Text<100>>>)]
    labels: Enums,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct LabelQuery {
    /// A BCP 47 language tag; a regional form gets its language, and a language without labels gets English.
    #[param(example = "de")]
    language: Option<Language>,
}

/// List the labels of all enum values in a language
///
/// The names are those of the schemas: `labels.Fuel.coal` is what to show for `coal` in a member of type `Fuel`.
#[get("/public/labels", 200 = Labels)]
async fn list_public_labels(_by: Anyone, req: HttpRequest, query: Query<LabelQuery>) -> Reply {
    let wanted = query.language.as_ref().map_or(ENGLISH, Language::as_str);
    let (primary, _) = wanted.split_once('-').unwrap_or((wanted, ""));
    let found = [wanted, primary]
        .into_iter()
        .find(|tag| LABELS.contains_key(*tag))
        .unwrap_or(ENGLISH);
    let mut labels = LABELS[ENGLISH].clone();
    labels.extend(LABELS[found].clone());
    let answer = Labels {
        language: found.to_owned(),
        languages: LABELS.keys().collect(),
        labels,
    };
    let json = serde_json::to_vec(&answer).map_err(Problem::internal)?;
    let cached = "public, max-age=3600";
    Ok(answers::respond_as(&req, json, "application/json", cached))
}
