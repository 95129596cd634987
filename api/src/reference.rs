//! The OpenAPI document and the page to read it.

use crate::problem::{FieldError, GateReason, ProblemDocument};
use actix_web::{HttpRequest, HttpResponse, web};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{
        ComponentsBuilder, ContactBuilder, InfoBuilder, OpenApi, OpenApiBuilder, RefOr, Schema,
        ServerBuilder,
        security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme},
        tag::TagBuilder,
    },
};
use utoipa_swagger_ui::SwaggerUi;

const TAGS: &[(&str, &str)] = &[
    ("firm", "The firm itself, and the units it writes in"),
    ("keys", "Who may ask for what"),
    ("persons", "Sellers, owners and buyers"),
    ("engines", "What the firm has and had"),
    (
        "boilers",
        "Pressure vessels, their tests, certificates and papers",
    ),
    ("surveys", "Condition grades and findings"),
    ("jobs", "Work on engines"),
    ("prices", "Guide, comparables, valuations, asking prices"),
    ("selling", "Readiness, listings, sales, deliveries"),
    ("public", "All that a visitor may read; needs no key"),
    ("journal", "Everything that happened"),
];

/// What stands above the operations.
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
        .security(Some([SecurityRequirement::new(
            "key",
            Vec::<String>::new(),
        )]))
        .components(Some(
            ComponentsBuilder::new()
                .security_scheme("key", SecurityScheme::Http(key))
                .build(),
        ))
        .build()
}

/// Adds what belongs to every operation: the problem document and its parts.
pub fn finished(mut document: OpenApi) -> OpenApi {
    let components = document.components.get_or_insert_with(Default::default);
    let mut add =
        |name: &str, schema: RefOr<Schema>| components.schemas.insert(name.to_owned(), schema);
    add("Problem", ProblemDocument::schema());
    add(&FieldError::name(), FieldError::schema());
    add(&GateReason::name(), GateReason::schema());
    document
}

pub fn routes(cfg: &mut web::ServiceConfig, document: &OpenApi) {
    let json = document.to_json().expect("the document is plain JSON");
    cfg.route(
        "/openapi.json",
        web::get().to(move |req: HttpRequest| {
            let answer = crate::page::answer(
                &req,
                json.clone().into_bytes(),
                "application/json",
                "no-cache",
            );
            async move { answer }
        }),
    )
    .route(
        "/reference",
        web::get().to(|| async {
            HttpResponse::PermanentRedirect()
                .insert_header(("location", "/reference/"))
                .finish()
        }),
    )
    .service(
        SwaggerUi::new("/reference/{_:.*}")
            .config(utoipa_swagger_ui::Config::from("/openapi.json")),
    );
}
