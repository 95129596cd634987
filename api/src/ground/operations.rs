//! The operations below `/v1`, in one list that is read twice: by the server and for the OpenAPI document.

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

/// The prefix of their paths.
pub const ROOT: &str = "/v1";

/// Name of the security scheme in the OpenAPI document.
pub const KEY: &str = "key";

/// Methods in the order in which the header Allow lists them.
const METHODS: &[(HttpMethod, &str)] = &[
    (HttpMethod::Get, "GET, HEAD"),
    (HttpMethod::Post, "POST"),
    (HttpMethod::Put, "PUT"),
    (HttpMethod::Patch, "PATCH"),
    (HttpMethod::Delete, "DELETE"),
];

/// A handler, with what its types declare; the attributes of `outshop_operation` implement it.
pub trait Operation: HttpServiceFactory + OpenApiFactory + Path + 'static {
    /// Who may call it.
    type By: Admits;

    /// The request body of a change, made from the schema of what it changes; adds the schemas it refers to into
    /// `forms`.
    fn merge_patch(_forms: &mut Vec<(String, RefOr<Schema>)>) -> Option<RequestBody> {
        None
    }
}

/// Registers operations with the server.
pub struct Operations<'a> {
    server: &'a mut web::ServiceConfig,
    addresses: Addresses,
    document: Option<&'a mut Documented>,
}

impl<'a> Operations<'a> {
    pub fn of(server: &'a mut web::ServiceConfig) -> Self {
        Operations {
            server,
            addresses: Addresses::default(),
            document: None,
        }
    }

    /// Like `of`, but also collects the OpenAPI description; slow, so `serve` does not.
    pub fn documented(server: &'a mut web::ServiceConfig, document: &'a mut Documented) -> Self {
        Operations {
            document: Some(document),
            ..Operations::of(server)
        }
    }

    /// Operations under one tag of the document.
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

/// Registers the operations of one tag.
pub struct Tagged<'o, 'a> {
    operations: &'o mut Operations<'a>,
    tag: &'static str,
}

impl Tagged<'_, '_> {
    pub fn service<F: Operation>(&mut self, operation: F) -> &mut Self {
        let operations = &mut *self.operations;
        operations.addresses.taken.push((F::path(), F::methods()));
        if let Some(document) = &mut operations.document {
            document.add(self.tag, &operation);
        }
        operations.server.service(operation);
        self
    }

    /// Continues under another tag.
    pub fn tagged(&mut self, tag: &'static str) -> &mut Self {
        self.tag = tag;
        self
    }
}

/// Which methods each address accepts.
#[derive(Default)]
pub struct Addresses {
    taken: Vec<(String, Vec<HttpMethod>)>,
    /// Built when first needed.
    patterns: OnceCell<Vec<ResourceDef>>,
}

impl Addresses {
    /// The methods that an address accepts, as the header Allow lists them. `None`: there is no such address.
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

/// The OpenAPI description of the operations.
#[derive(Default)]
pub struct Documented {
    paths: Paths,
    schemas: Vec<(String, RefOr<Schema>)>,
}

impl Documented {
    fn add<F: Operation>(&mut self, tag: &str, operation: &F) {
        let roles: Vec<&str> = F::By::ROLES.iter().map(|role| role.as_str()).collect();
        let (security, access) = if roles.is_empty() {
            let nothing = SecurityRequirement::default();
            (nothing, "Needs no key.".to_owned())
        } else {
            let key = SecurityRequirement::new(KEY, roles.iter().copied());
            (key, format!("Roles: {}.", roles.join(", ")))
        };
        let mut what = F::operation();
        if let Some(body) = F::merge_patch(&mut self.schemas) {
            what.request_body = Some(RefOr::T(body));
        }
        what.tags = Some(vec![tag.to_owned()]);
        what.security = Some(vec![security]);
        // Readers of the document and client generators see who may call each operation.
        what.description = Some(match what.description {
            Some(words) => format!("{words}\n\n{access}"),
            None => access,
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

/// A path of the document as the router reads it: ids, stock numbers and versions are digits; other segments may be
/// anything.
fn pattern(path: &str) -> ResourceDef {
    ResourceDef::new(
        path.replace("{id}", "{id:\\d+}")
            .replace("{rule_id}", "{rule_id:\\d+}")
            .replace("{call_id}", "{call_id:\\d+}")
            .replace("{stock_no}", "{stock_no:\\d+}")
            .replace("{version}", "{version:\\d+}"),
    )
}
