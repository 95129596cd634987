//! The OpenAPI document and the pages that show it.

mod pages;
mod shared;
mod smaller;

use crate::ground::{
    operations::KEY,
    problem::{FieldError, GateReason, Problem, ProblemDocument},
};
use actix_web::{HttpRequest, HttpResponse, web};
use serde_json::Value;
use std::{collections::BTreeSet, sync::LazyLock};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{
        ComponentsBuilder, ContactBuilder, InfoBuilder, OpenApi, OpenApiBuilder, RefOr, Schema,
        ServerBuilder,
        schema::{AdditionalProperties, ArrayItems, SchemaType, Type},
        security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme},
        tag::TagBuilder,
    },
};

const TAGS: &[(&str, &str)] = &[
    ("firm", "The firm, and the units that quantities may have"),
    ("keys", "API keys and roles"),
    ("persons", "Sellers, owners and buyers"),
    ("engines", "Engines in stock and engines that have left"),
    ("boilers", "Boilers, their tests and their certificates"),
    ("surveys", "Condition grades and findings"),
    ("jobs", "Work on engines"),
    (
        "prices",
        "Price scale, comparables, valuations, asking prices",
    ),
    ("selling", "Gates, listings, sales, deliveries"),
    ("money", "Costs, VAT, stock book and accounts"),
    ("public", "Everything that a visitor may read; needs no key"),
    ("journal", "Everything that happened"),
    ("webhooks", "Signed calls that notify other systems"),
];

/// The document without its operations.
pub fn head() -> OpenApi {
    let key = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("outshop_<id>_<43 characters>")
        .build();
    OpenApiBuilder::new()
        .info(
            InfoBuilder::new()
                .title("Outshop")
                .version(env!("CARGO_PKG_VERSION"))
                .description(Some(include_str!("reference/about.md")))
                .license(Some(
                    utoipa::openapi::LicenseBuilder::new()
                        .name("MIT OR Apache-2.0")
                        .identifier(Some("MIT OR Apache-2.0"))
                        .build(),
                ))
                .contact(Some(
                    ContactBuilder::new()
                        .name(Some("The firm that runs this service"))
                        .email(Some("works@example.org"))
                        .build(),
                ))
                .build(),
        )
        .servers(Some([ServerBuilder::new()
            .url("/")
            .description(Some("This service"))
            .build()]))
        .tags(Some(TAGS.iter().map(|(name, words)| {
            TagBuilder::new()
                .name(*name)
                .description(Some(*words))
                .build()
        })))
        .security(Some([SecurityRequirement::new(KEY, Vec::<String>::new())]))
        .components(Some(
            ComponentsBuilder::new()
                .security_scheme(KEY, SecurityScheme::Http(key))
                .build(),
        ))
        .build()
}

/// Members of responses that are left out when there is nothing to report.
const LEFT_OUT: &[(&str, &[&str])] = &[
    ("Problem", &["errors", "reasons"]),
    ("EngineShown", &["boiler", "photographs"]),
];

/// Makes all members of response schemas required: an unknown value is null. The derived schemas cannot say so, as in a
/// request the same member may be left out.
fn answers_are_whole(document: &mut OpenApi) {
    let asked = asked_for(document);
    let components = document.components.get_or_insert_with(Default::default);
    for (name, schema) in &mut components.schemas {
        if let (false, RefOr::T(schema)) = (asked.contains(name), schema) {
            let left_out = LEFT_OUT.iter().find(|(of, _)| of == name);
            make_whole(schema, left_out.map_or(&[], |(_, members)| members));
        }
    }
}

fn make_whole(schema: &mut Schema, left_out: &[&str]) {
    match schema {
        Schema::Object(object) => {
            let members = object.properties.keys();
            object.required = members
                .filter(|member| !left_out.contains(&member.as_str()))
                .cloned()
                .collect();
            // A response may gain members, even if requests use its schema too.
            if let Some(AdditionalProperties::FreeForm(false)) =
                object.additional_properties.as_deref()
            {
                object.additional_properties = None;
            }
        }
        Schema::AllOf(all) => all.items.iter_mut().for_each(|item| {
            if let RefOr::T(part) = item {
                make_whole(part, left_out);
            }
        }),
        _ => {}
    }
}

/// Names of the schemas in request bodies, with all that they refer to.
fn asked_for(document: &OpenApi) -> BTreeSet<String> {
    let json = serde_json::to_value(document).expect("the document is plain JSON");
    let mut names = BTreeSet::new();
    let mut waiting: Vec<&Value> = Vec::new();
    for methods in json["paths"]
        .as_object()
        .into_iter()
        .flat_map(|paths| paths.values())
    {
        let operations = methods.as_object().into_iter().flat_map(|all| all.values());
        waiting.extend(operations.map(|operation| &operation["requestBody"]));
    }
    while let Some(next) = waiting.pop() {
        match next {
            Value::Object(members) => {
                let name = members.get("$ref").and_then(Value::as_str);
                let name = name.and_then(|address| address.strip_prefix("#/components/schemas/"));
                if let Some(name) = name.filter(|name| names.insert((*name).to_owned())) {
                    waiting.push(&json["components"]["schemas"][name]);
                }
                waiting.extend(members.values());
            }
            Value::Array(items) => waiting.extend(items),
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }
    names
}

/// Adds what every operation needs: the problem document and its parts.
pub fn finished(mut document: OpenApi) -> Value {
    let components = document.components.get_or_insert_with(Default::default);
    let mut add =
        |name: &str, schema: RefOr<Schema>| components.schemas.insert(name.to_owned(), schema);
    add("Problem", ProblemDocument::schema());
    add(&FieldError::name(), FieldError::schema());
    add(&GateReason::name(), GateReason::schema());
    for schema in components.schemas.values_mut() {
        numbers_begin_at_1(schema);
    }
    answers_are_whole(&mut document);
    say_what_is_answered(&mut document);
    let mut document = serde_json::to_value(document).expect("the document is plain JSON");
    shared::say_once(&mut document);
    smaller::rewrite(&mut document);
    shared::drop_what_nobody_names(&mut document);
    document
}

/// Gives every member with the number of a record the minimum 1, as lists and paths have.
fn numbers_begin_at_1(schema: &mut RefOr<Schema>) {
    let RefOr::T(schema) = schema else {
        return;
    };
    match schema {
        Schema::Object(object) => {
            for (name, member) in &mut object.properties {
                if let RefOr::T(Schema::Object(member)) = member
                    && (name == "id" || name == "stock_no" || name.ends_with("_id"))
                    && is_a_number(&member.schema_type)
                {
                    member.minimum = Some(1.into());
                }
                numbers_begin_at_1(member);
            }
        }
        Schema::Array(list) => {
            if let ArrayItems::RefOrSchema(item) = &mut list.items {
                numbers_begin_at_1(item);
            }
        }
        Schema::AllOf(all) => all.items.iter_mut().for_each(numbers_begin_at_1),
        Schema::OneOf(one) => one.items.iter_mut().for_each(numbers_begin_at_1),
        Schema::AnyOf(any) => any.items.iter_mut().for_each(numbers_begin_at_1),
        _ => {}
    }
}

fn is_a_number(of: &SchemaType) -> bool {
    match of {
        SchemaType::Type(kind) => *kind == Type::Integer,
        SchemaType::Array(kinds) => kinds.contains(&Type::Integer),
        SchemaType::AnyValue => false,
    }
}

/// Fills in missing response descriptions, for readers of the document and client generators.
fn say_what_is_answered(document: &mut OpenApi) {
    for item in document.paths.paths.values_mut() {
        let operations = [
            &mut item.get,
            &mut item.post,
            &mut item.put,
            &mut item.patch,
            &mut item.delete,
        ];
        for operation in operations.into_iter().flatten() {
            for (status, response) in &mut operation.responses.responses {
                if let RefOr::T(response) = response
                    && response.description.is_empty()
                {
                    response.description = match status.as_str() {
                        "201" => "Recorded; the record as it now is",
                        "204" => "Done",
                        _ => "The requested record, list or result",
                    }
                    .to_owned();
                }
            }
        }
    }
}

/// Built when it is first requested: that takes a while, and tens of MiB.
fn document() -> &'static Value {
    static DOCUMENT: LazyLock<Value> = LazyLock::new(crate::document);
    &DOCUMENT
}

fn json() -> &'static str {
    static JSON: LazyLock<String> = LazyLock::new(|| document().to_string());
    &JSON
}

fn public_json() -> &'static str {
    static JSON: LazyLock<String> = LazyLock::new(|| shared::public_part(document()).to_string());
    &JSON
}

fn index() -> &'static str {
    static INDEX: LazyLock<String> = LazyLock::new(|| pages::index(document()));
    &INDEX
}

const HTML: &str = "text/html; charset=utf-8";

pub fn routes(cfg: &mut web::ServiceConfig) {
    let mut serve = |address: &str, text: fn() -> &'static str, media_type: &'static str| {
        let handler = move |req: HttpRequest| async move { respond(&req, text(), media_type) };
        cfg.route(address, web::get().to(handler));
    };
    serve("/openapi.json", json, "application/json");
    serve("/openapi/public.json", public_json, "application/json");
    serve("/reference/", index, HTML);
    serve(
        "/reference/page.css",
        || pages::STYLE,
        "text/css; charset=utf-8",
    );
    serve(
        "/reference/page.js",
        || pages::SCRIPT,
        "text/javascript; charset=utf-8",
    );
    cfg.route(
        "/reference",
        web::get().to(|| async {
            HttpResponse::PermanentRedirect()
                .insert_header(("location", "/reference/"))
                .finish()
        }),
    )
    .route(
        "/reference/operations/{id}",
        web::get().to(|req: HttpRequest, id: web::Path<String>| async move {
            page(&req, pages::operation(document(), &id), "operation", &id)
        }),
    )
    .route(
        "/reference/schemas/{name}",
        web::get().to(|req: HttpRequest, name: web::Path<String>| async move {
            page(&req, pages::schema(document(), &name), "schema", &name)
        }),
    );
}

fn page(
    req: &HttpRequest,
    page: Option<String>,
    what: &str,
    name: &str,
) -> Result<HttpResponse, Problem> {
    match page {
        Some(page) => Ok(respond(req, &page, HTML)),
        None => Err(Problem::not_found(format!(
            "there is no {what} {name}; /reference/ lists the operations"
        ))),
    }
}

fn respond(req: &HttpRequest, text: &str, media_type: &str) -> HttpResponse {
    crate::ground::answers::respond_as(req, text.as_bytes().to_vec(), media_type, "no-cache")
}
