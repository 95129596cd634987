//! The pages on which people read the interface. They are rendered from the document alone, one operation or schema at a time, so
//! that a phone and a busy machine show each at once.

use minijinja::{
    AutoEscape, Environment, UndefinedBehavior, Value as Shown, context, value::Serde,
};
use pulldown_cmark::{Event, Parser, html::push_html};
use serde::Serialize;
use serde_json::{Map, Value};
use std::sync::LazyLock;

pub const STYLE: &str = include_str!("pages/page.css");
pub const SCRIPT: &str = include_str!("pages/page.js");

/// How deep members of members are listed; deeper ones stand on the page of their schema.
const DEPTH: usize = 3;

static TEMPLATES: LazyLock<Environment<'static>> = LazyLock::new(|| {
    let mut templates = Environment::new();
    templates.set_undefined_behavior(UndefinedBehavior::Strict);
    templates.set_auto_escape_callback(|_| AutoEscape::Html);
    templates.add_filter("prose", |text: &str| Shown::from_safe_string(prose(text)));
    for (name, text) in [
        ("layout.html", include_str!("pages/layout.html")),
        ("parts.html", include_str!("pages/parts.html")),
        ("index.html", include_str!("pages/index.html")),
        ("operation.html", include_str!("pages/operation.html")),
        ("schema.html", include_str!("pages/schema.html")),
    ] {
        templates
            .add_template(name, text)
            .expect("the templates are part of the program, and each is tested");
    }
    templates
});

/// CommonMark, which OpenAPI's descriptions are written in, as HTML; HTML in it is shown as text.
fn prose(text: &str) -> String {
    let events = Parser::new(text).map(|event| match event {
        Event::Html(text) | Event::InlineHtml(text) => Event::Text(text),
        other => other,
    });
    let mut html = String::new();
    push_html(&mut html, events);
    html
}

fn render(template: &str, data: Shown) -> String {
    TEMPLATES
        .get_template(template)
        .and_then(|template| template.render(data))
        .expect("the templates render every document of ours, as a test shows")
}

/// All operations by tag.
pub fn index(document: &Value) -> String {
    let tags = items(&document["tags"]).map(|tag| {
        let operations = operations(document).filter(|op| op.tag() == text(&tag["name"]));
        context! {
            name => text(&tag["name"]),
            description => text(&tag["description"]),
            operations => operations.map(Operation::heading).collect::<Vec<_>>(),
        }
    });
    let tags: Vec<Shown> = tags.collect();
    render(
        "index.html",
        context! {
            title => text(&document["info"]["title"]),
            version => text(&document["info"]["version"]),
            about => text(&document["info"]["description"]),
            count => operations(document).count(),
            tags,
        },
    )
}

/// One operation, by its id.
pub fn operation(document: &Value, id: &str) -> Option<String> {
    let found = operations(document).find(|operation| operation.id() == id)?;
    let it = found.it;
    let parameters = items(&it["parameters"]).map(|parameter| {
        let parameter = followed(document, parameter);
        let mut member = Member::of(document, text(&parameter["name"]), &parameter["schema"]);
        member.required = parameter["required"] == true;
        member.description = words(parameter, &member.description);
        context! { place => text(&parameter["in"]), member => Shown::from(Serde(member)) }
    });
    let parameters: Vec<Shown> = parameters.collect();
    let bodies = members(&it["requestBody"]["content"]);
    let bodies: Vec<Shown> = bodies
        .map(|(media, body)| content(document, media, body))
        .collect();
    let (mut answers, mut refusals) = (Vec::new(), Vec::new());
    for (status, answer) in members(&it["responses"]) {
        let answer = followed(document, answer);
        let bodies = members(&answer["content"]);
        let bodies: Vec<Shown> = bodies
            .map(|(media, body)| content(document, media, body))
            .collect();
        let headers = members(&answer["headers"]).map(|(name, header)| {
            let description = text(&followed(document, header)["description"]);
            context! { name, description }
        });
        let headers: Vec<Shown> = headers.collect();
        let description = text(&answer["description"]);
        let refused = status.starts_with(['4', '5']);
        let list = if refused { &mut refusals } else { &mut answers };
        list.push(context! { status, description, bodies, headers });
    }
    let roles: Vec<String> = items(&it["security"][0]["key"]).map(plain).collect();
    Some(render(
        "operation.html",
        context! {
            heading => found.heading(),
            description => text(&it["description"]),
            command => (!found.is_sent).then(|| command(document, &found)),
            roles, parameters, bodies, answers, refusals,
        },
    ))
}

/// One schema, by its name.
pub fn schema(document: &Value, name: &str) -> Option<String> {
    let schema = document["components"]["schemas"].get(name)?;
    let address = format!("#/components/schemas/{name}\"");
    let users = operations(document).filter(|op| op.it.to_string().contains(&address));
    Some(render(
        "schema.html",
        context! {
            name,
            itself => Shown::from(Serde(Member::of(document, name, schema))),
            members => Shown::from(Serde(rows(document, schema))),
            example => example(schema),
            users => users.map(Operation::heading).collect::<Vec<_>>(),
        },
    ))
}

// Operations

#[derive(Clone, Copy)]
struct Operation<'a> {
    path: &'a str,
    method: &'a str,
    it: &'a Value,
    /// Whether the service sends it, to an address of the reader's.
    is_sent: bool,
}

impl<'a> Operation<'a> {
    fn id(&self) -> &'a str {
        text(&self.it["operationId"])
    }

    fn tag(&self) -> &'a str {
        text(&self.it["tags"][0])
    }

    fn heading(self) -> Shown {
        context! {
            id => self.id(),
            method => self.method.to_uppercase(),
            path => self.path,
            summary => text(&self.it["summary"]),
        }
    }
}

fn operations(document: &Value) -> impl Iterator<Item = Operation<'_>> {
    let taken = members(&document["paths"]).map(|(path, item)| (path.as_str(), item, false));
    let sent = members(&document["webhooks"]).map(|(_, item)| ("to your address", item, true));
    taken.chain(sent).flat_map(|(path, item, is_sent)| {
        members(item).map(move |(method, it)| Operation {
            path,
            method,
            it,
            is_sent,
        })
    })
}

/// The request as a command to try it with, filled with the examples of the document.
fn command(document: &Value, operation: &Operation<'_>) -> String {
    let mut path = operation.path.to_owned();
    let mut lines = Vec::new();
    if operation.it["security"][0]["key"].is_array() {
        lines.push("-H \"Authorization: Bearer $KEY\"".to_owned());
    }
    for parameter in items(&operation.it["parameters"]) {
        let parameter = followed(document, parameter);
        let name = text(&parameter["name"]);
        match (text(&parameter["in"]), name) {
            ("path", _) => {
                let value = example(parameter)
                    .or_else(|| example(followed(document, &parameter["schema"])));
                let value = value.unwrap_or_else(|| "1".to_owned());
                path = path.replace(&format!("{{{name}}}"), value.trim_matches('"'));
            }
            ("header", "Idempotency-Key") => {
                lines.push("-H \"Idempotency-Key: $(uuidgen)\"".to_owned());
            }
            ("header", "If-Match") => lines.push("-H 'If-Match: \"...\"'".to_owned()),
            _ => {}
        }
    }
    if let Some((media, body)) = members(&operation.it["requestBody"]["content"]).next() {
        lines.push(format!("-H 'Content-Type: {media}'"));
        lines.push(
            match example(body).or_else(|| example(followed(document, &body["schema"]))) {
                Some(example) => format!("-d '{}'", example.replace('\'', r"'\''")),
                None => "--data-binary @file".to_owned(),
            },
        );
    }
    let method = match operation.method {
        "get" => String::new(),
        other => format!("-X {} ", other.to_uppercase()),
    };
    let lines: String = lines.iter().map(|line| format!(" \\\n  {line}")).collect();
    format!("curl {method}\"$OUTSHOP{path}\"{lines}")
}

fn content(document: &Value, media: &str, body: &Value) -> Shown {
    let schema = &body["schema"];
    context! {
        media,
        itself => Shown::from(Serde(Member::of(document, "", schema))),
        members => Shown::from(Serde(rows(document, schema))),
        example => example(body).or_else(|| example(followed(document, schema))),
    }
}

// Schemas

/// A member, parameter or schema as a row of a table.
#[derive(Debug, Serialize)]
struct Member {
    name: String,
    depth: usize,
    required: bool,
    /// What it is: `integer`, `list of Day`.
    kind: String,
    /// The schema that has a page of its own.
    link: Option<String>,
    nullable: bool,
    description: String,
    /// What is allowed: `1 to 200 characters`.
    limits: Vec<String>,
    values: Vec<String>,
}

impl Member {
    fn of(document: &Value, name: &str, schema: &Value) -> Member {
        let (schema, nullable) = without_null(schema);
        let plural = schema["items"].is_object();
        let inner = if plural { &schema["items"] } else { schema };
        let (inner, _) = without_null(inner);
        let link = inner["$ref"].as_str().and_then(|r| r.rsplit('/').next());
        let meant = followed(document, inner);
        let kind = link.map_or_else(|| kind_of(meant), str::to_owned);
        Member {
            name: name.to_owned(),
            depth: 0,
            required: false,
            kind: if plural {
                format!("list of {kind}")
            } else {
                kind
            },
            link: link.map(str::to_owned),
            nullable,
            description: words(schema, text(&meant["description"])),
            limits: if std::ptr::eq(schema, meant) {
                limits(meant).collect()
            } else {
                limits(schema).chain(limits(meant)).collect()
            },
            values: items(&meant["enum"]).map(plain).collect(),
        }
    }
}

/// The members of an object, with those of the objects in it.
fn rows(document: &Value, schema: &Value) -> Vec<Member> {
    let mut rows = Vec::new();
    let mut schema = without_null(schema).0;
    if schema["items"].is_object() {
        schema = &schema["items"];
    }
    add_rows(document, followed(document, schema), 0, &mut rows);
    rows
}

fn add_rows(document: &Value, schema: &Value, depth: usize, rows: &mut Vec<Member>) {
    for part in items(&schema["allOf"]) {
        add_rows(document, followed(document, part), depth, rows);
    }
    for (name, member) in members(&schema["properties"]) {
        let mut row = Member::of(document, name, member);
        row.depth = depth;
        row.required = items(&schema["required"]).any(|required| text(required) == name);
        let inner = without_null(member).0;
        let inner = if inner["items"].is_object() {
            &inner["items"]
        } else {
            inner
        };
        let is_inline = row.link.is_none() && depth < DEPTH;
        rows.push(row);
        if is_inline {
            add_rows(document, inner, depth + 1, rows);
        }
    }
}

fn kind_of(schema: &Value) -> String {
    let one = |kind: &Value| match (text(kind), text(&schema["format"])) {
        (kind, "") => kind.to_owned(),
        (kind, format) => format!("{kind} ({format})"),
    };
    match &schema["type"] {
        Value::Array(kinds) => {
            let kinds = kinds.iter().filter(|kind| text(kind) != "null").map(one);
            kinds.collect::<Vec<_>>().join(" or ")
        }
        Value::Null => items(&schema["oneOf"])
            .map(kind_of)
            .collect::<Vec<_>>()
            .join(" or "),
        kind => one(kind),
    }
}

fn limits(schema: &Value) -> impl Iterator<Item = String> {
    let bound = |name: &str, words: &str| {
        let value = &schema[name];
        (!value.is_null()).then(|| words.replace("{}", &plain(value)))
    };
    [
        bound("minimum", "at least {}"),
        bound("maximum", "at most {}"),
        bound("minLength", "at least {} characters"),
        bound("maxLength", "at most {} characters"),
        bound("minItems", "at least {} items"),
        bound("maxItems", "at most {} items"),
        bound("pattern", "pattern {}"),
        bound("default", "default {}"),
    ]
    .into_iter()
    .flatten()
}

/// The schema beside `null`, and whether null is allowed.
fn without_null(schema: &Value) -> (&Value, bool) {
    let is_null = |one: &Value| one["type"] == "null";
    if let Some(ways) = schema["oneOf"].as_array()
        && ways.len() == 2
        && ways.iter().any(is_null)
    {
        let other = ways.iter().find(|way| !is_null(way));
        return (other.unwrap_or(schema), true);
    }
    let nullable = items(&schema["type"]).any(|kind| text(kind) == "null");
    (schema, nullable)
}

/// The part of `components` that a `$ref` names, else the value itself.
fn followed<'a>(document: &'a Value, value: &'a Value) -> &'a Value {
    let pointer = value["$ref"].as_str().and_then(|r| r.strip_prefix('#'));
    pointer
        .and_then(|pointer| document.pointer(pointer))
        .unwrap_or(value)
}

/// Its own description, else that of what it refers to.
fn words(of: &Value, else_: &str) -> String {
    of["description"].as_str().unwrap_or(else_).to_owned()
}

fn example(of: &Value) -> Option<String> {
    let found = of.get("example").or_else(|| of["examples"].get(0))?;
    serde_json::to_string_pretty(found).ok()
}

fn plain(value: &Value) -> String {
    value
        .as_str()
        .map_or_else(|| value.to_string(), str::to_owned)
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

fn items(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

fn members(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value.as_object().into_iter().flat_map(Map::iter)
}
