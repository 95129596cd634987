//! What a call says, in the form of Standard Webhooks 1.0.0.

use crate::ground::entries::TYPES;
use serde::Serialize;
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{
        ContentBuilder, ObjectBuilder, OpenApi, PathItem, Paths, Ref, RefOr, Required, Schema,
        path::{HttpMethod, OperationBuilder, ParameterBuilder, ParameterIn},
        request_body::RequestBodyBuilder,
        response::ResponseBuilder,
        schema::Type,
    },
};

/// A journal entry without its contents. Read those with your own key, whose role decides what you see.
#[derive(Serialize, ToSchema)]
#[schema(example = json!({"type": "engine.delivered", "timestamp": "2026-05-14T10:21:07.123456Z", "data": {"entry_no": 185,
    "stock_no": 10, "url": "/v1/journal?after=184&limit=1&journal_id=5b0c6a8e-4b0e-4c8e-9d3b-6f1f2a7f0c11"}}))]
pub(super) struct WebhookMessage {
    /// Type of the journal entry; `webhook.test`: a test call.
    #[schema(max_length = 60)]
    pub r#type: String,
    /// When the entry was written, or the test call was made: RFC 3339, UTC.
    #[schema(max_length = 40)]
    pub timestamp: String,
    pub data: WebhookMessageData,
}

/// Which entry it is and where to read it.
#[derive(Serialize, ToSchema)]
pub(super) struct WebhookMessageData {
    /// Number of the entry in the journal; null: a test call.
    #[schema(minimum = 1)]
    pub entry_no: Option<i64>,
    /// The engine concerned; null: none.
    pub stock_no: Option<i32>,
    /// Address of the entry; of the webhook in a test call.
    #[schema(max_length = 300)]
    pub url: String,
}

const HEADERS: [(&str, &str); 3] = [
    (
        "webhook-id",
        "The same in each attempt of a call, so that you can tell a repetition.",
    ),
    (
        "webhook-timestamp",
        "Time of this attempt, in seconds since 1970. Refuse one that is more than five minutes off.",
    ),
    (
        "webhook-signature",
        "`v1,` and the signature of `webhook-id.webhook-timestamp.body` in base64 (HMAC-SHA256 with the webhook's secret); for \
         24 hours after a rotation two of them, with a space between.",
    ),
];

const DESCRIPTION: &str = "Sent to the `url` of each webhook that asks for the type, in the order of the journal as far as the \
    receiver answers. Verify the signature with a Standard Webhooks library before you read the body. A status of 2xx within 15 \
    seconds counts as received; redirects are not followed. Anything else is tried again after 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, \
    14 h, 20 h and 24 h, or later if `Retry-After` asks for it; then the webhook is switched off. A call may come twice.\n\nTypes: ";

/// Adds the call to the document.
pub fn describe(document: &mut OpenApi) {
    let text = || {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .max_length(Some(300))
    };
    let headers = HEADERS.map(|(name, words)| {
        ParameterBuilder::new()
            .name(name)
            .parameter_in(ParameterIn::Header)
            .required(Required::True)
            .description(Some(words))
            .schema(Some(text()))
    });
    let body = RequestBodyBuilder::new()
        .content(
            "application/json",
            ContentBuilder::new()
                .schema(Some(Ref::from_schema_name(WebhookMessage::name())))
                .build(),
        )
        .required(Some(Required::True));
    let mut operation = OperationBuilder::new()
        .operation_id(Some("receive_journal_entry"))
        .tag("webhooks")
        .summary(Some("Receive a journal entry"))
        .description(Some(format!("{DESCRIPTION}`{}`.", TYPES.join("`, `"))))
        .request_body(Some(body.build()))
        .response("2XX", ResponseBuilder::new().description("Received"))
        .response(
            "410",
            ResponseBuilder::new().description("Send no more: the webhook is switched off at once"),
        )
        .build();
    operation.parameters = Some(headers.map(|header| header.build().into()).into());
    let mut calls = Paths::new();
    calls.paths.insert(
        "journal_entry".to_owned(),
        PathItem::new(HttpMethod::Post, operation),
    );
    document.webhooks = Some(calls);
    let components = document.components.get_or_insert_with(Default::default);
    let mut schemas: Vec<(String, RefOr<Schema>)> = vec![(
        WebhookMessage::name().into_owned(),
        WebhookMessage::schema(),
    )];
    WebhookMessage::schemas(&mut schemas);
    components.schemas.extend(schemas);
}
