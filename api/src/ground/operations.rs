//! The operations below `/v1`, in one list that is read twice: by the server, and by who wants the document.

use crate::ground::actor::Admits;
use actix_web::{
    dev::{HttpServiceFactory, ResourceDef},
    web,
};
use std::cell::OnceCell;
use utoipa::{
    Path,
    openapi::{
        OpenApi, Paths, RefOr, Schema, path::HttpMethod, request_body::RequestBody,
        security::SecurityRequirement,
    },
};
use utoipa_actix_web::OpenApiFactory;

/// Below which all of them lie.
pub const ROOT: &str = "/v1";

/// Name of the security scheme in the document.
pub const KEY: &str = "key";

/// Methods as a header names them, in the order in which it does.
const METHODS: &[(HttpMethod, &str)] = &[
    (HttpMethod::Get, "GET, HEAD"),
    (HttpMethod::Post, "POST"),
    (HttpMethod::Put, "PUT"),
    (HttpMethod::Patch, "PATCH"),
    (HttpMethod::Delete, "DELETE"),
];

/// A handler, with what its types say of it; the attributes of `outshop_operation` write it.
pub trait Operation: HttpServiceFactory + OpenApiFactory + Path + 'static {
    /// Who may call it.
    type By: Admits;

    /// The body of a change, which is made of the form of what it changes; `forms` gets what it refers to.
    fn merge_patch(_forms: &mut Vec<(String, RefOr<Schema>)>) -> Option<RequestBody> {
        None
    }
}

/// Where operations are told to the server.
pub struct Operations<'a> {
    server: &'a mut web::ServiceConfig,
    addresses: Addresses,
    said: Option<&'a mut Said>,
}

impl<'a> Operations<'a> {
    pub fn of(server: &'a mut web::ServiceConfig) -> Self {
        Operations {
            server,
            addresses: Addresses::default(),
            said: None,
        }
    }

    /// As `of`, and keeps what each says of itself. That takes most of the time in which a process starts, so no process that only
    /// serves does it.
    pub fn heard(server: &'a mut web::ServiceConfig, said: &'a mut Said) -> Self {
        Operations {
            said: Some(said),
            ..Operations::of(server)
        }
    }

    /// Operations that stand under one heading of the document.
    pub fn tagged(&mut self, tag: &'static str) -> Tagged<'_, 'a> {
        Tagged {
            operations: self,
            tag,
        }
    }

    pub fn addresses(self) -> Addresses {
        self.addresses
    }
}

/// Where the operations of one tag are told.
pub struct Tagged<'o, 'a> {
    operations: &'o mut Operations<'a>,
    tag: &'static str,
}

impl Tagged<'_, '_> {
    pub fn service<F: Operation>(&mut self, operation: F) -> &mut Self {
        let operations = &mut *self.operations;
        operations.addresses.taken.push((F::path(), F::methods()));
        if let Some(said) = &mut operations.said {
            said.hear(self.tag, &operation);
        }
        operations.server.service(operation);
        self
    }

    /// What follows stands under another tag.
    pub fn tagged(&mut self, tag: &'static str) -> &mut Self {
        self.tag = tag;
        self
    }
}

/// Which addresses take which methods.
#[derive(Default)]
pub struct Addresses {
    taken: Vec<(String, Vec<HttpMethod>)>,
    /// Made when one is first looked for.
    patterns: OnceCell<Vec<ResourceDef>>,
}

impl Addresses {
    /// The methods that an address takes, as the header Allow names them; none where nothing is.
    pub fn methods(&self, address: &str) -> Option<String> {
        let address = address.strip_prefix(ROOT)?;
        let made = || self.taken.iter().map(|(path, _)| pattern(path)).collect();
        let takes: Vec<&HttpMethod> = (self.taken.iter())
            .zip(self.patterns.get_or_init(made))
            .filter(|(_, pattern)| pattern.is_match(address))
            .flat_map(|((_, methods), _)| methods)
            .collect();
        let named = METHODS.iter().filter(|(method, _)| takes.contains(&method));
        let named: Vec<&str> = named.map(|(_, name)| *name).collect();
        (!named.is_empty()).then(|| named.join(", "))
    }
}

/// What operations say of themselves.
#[derive(Default)]
pub struct Said {
    paths: Paths,
    schemas: Vec<(String, RefOr<Schema>)>,
}

impl Said {
    fn hear<F: Operation>(&mut self, tag: &str, operation: &F) {
        let roles: Vec<&str> = F::By::ROLES.iter().map(|role| role.as_str()).collect();
        let (security, whose) = if roles.is_empty() {
            let nothing = SecurityRequirement::default();
            (nothing, "Needs no key.".to_owned())
        } else {
            let key = SecurityRequirement::new(KEY, roles.iter().copied());
            (key, format!("With a key of: {}.", roles.join(", ")))
        };
        let mut what = F::operation();
        if let Some(body) = F::merge_patch(&mut self.schemas) {
            what.request_body = Some(RefOr::T(body));
        }
        what.tags = Some(vec![tag.to_owned()]);
        what.security = Some(vec![security]);
        // Readers of the document and generators of clients see who may call each operation.
        what.description = Some(match what.description {
            Some(words) => format!("{words}\n\n{whose}"),
            None => whose,
        });
        self.paths.add_path_operation(F::path(), F::methods(), what);
        operation.schemas(&mut self.schemas);
    }

    pub fn below(self, head: OpenApi) -> OpenApi {
        let mut document = head;
        let rooted = |(path, item)| (format!("{ROOT}{path}"), item);
        document.paths.paths = self.paths.paths.into_iter().map(rooted).collect();
        let components = document.components.get_or_insert_with(Default::default);
        components.schemas.extend(self.schemas);
        document
    }
}

/// An address of the document as the router reads it: ids, stock numbers and versions are digits; all else fits any segment.
fn pattern(path: &str) -> ResourceDef {
    ResourceDef::new(
        path.replace("{id}", "{id:\\d+}")
            .replace("{rule_id}", "{rule_id:\\d+}")
            .replace("{call_id}", "{call_id:\\d+}")
            .replace("{stock_no}", "{stock_no:\\d+}")
            .replace("{version}", "{version:\\d+}"),
    )
}
