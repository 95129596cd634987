//! The attributes of a handler: its path, its response, and what its types do not declare.
//!
//! ```text
//! /// Change a person
//! #[patch("/persons/{id:\\d+}", 200 = Person)]
//! async fn change_person(
//!     Selling(actor): Selling,
//!     id: web::Path<i64>,
//!     patch: Patch<NewPerson>,
//!     ..
//! ```
//!
//! After the path follow, in any order,
//!
//! - the response: `200 = Person`, `204` without a body, or `200(..)` in the syntax of `responses` of `utoipa::path`;
//! - `id = "get_boiler_code"`, if the document names the operation differently from the code;
//! - `params(..)` and `request_body(..)` in the syntax of `utoipa::path`: they override what the types declare.
//!
//! The types of the arguments declare who may call it (the first one), the parameters and the body. The errors follow
//! from them too (`service/reference/shared.rs`); `409` and `410` are written in the attribute where no type implies
//! them. The tag is given when the operation is registered with the server.

mod arguments;
mod attribute;

use attribute::Attribute;
use proc_macro::TokenStream;
use proc_macro2::TokenStream as Tokens;
use quote::{format_ident, quote};
use syn::{Error, FnArg, ItemFn, Result, Type};

macro_rules! methods {
    ($($method:ident)+) => {$(
        #[doc = concat!("An operation by ", stringify!($method), ".")]
        #[proc_macro_attribute]
        pub fn $method(attribute: TokenStream, handler: TokenStream) -> TokenStream {
            expanded(stringify!($method), attribute, handler)
        }
    )+};
}

methods! { get post put patch delete }

fn expanded(method: &str, attribute: TokenStream, handler: TokenStream) -> TokenStream {
    let written = Tokens::from(handler.clone());
    let operation = syn::parse(attribute)
        .and_then(|attribute| operation(method, attribute, &syn::parse(handler)?));
    // The handler stays, so that the compiler only reports the error in the attribute.
    let tokens = operation.unwrap_or_else(|error| {
        let error = error.into_compile_error();
        quote!(#error #written)
    });
    tokens.into()
}

fn operation(method: &str, attribute: Attribute, handler: &ItemFn) -> Result<Tokens> {
    let name = &handler.sig.ident;
    let admitted = admitted(handler)?;
    let declared = arguments::declared(handler, &attribute)?;
    let (address, plain_address) = (&attribute.address, attribute.plain_address());
    let id = attribute.id.unwrap_or_else(|| name.to_string());
    let (params, body) = (declared.params, declared.request_body);
    let merge_patch = declared.merge_patch.map(merge_patch);
    let responses = attribute.responses;
    let method = format_ident!("{method}");
    Ok(quote! {
        impl crate::ground::operations::Operation for #name {
            type By = #admitted;

            #merge_patch
        }

        #[utoipa::path(
            #method,
            impl_for = #name,
            path = #plain_address,
            operation_id = #id,
            params(#(#params),*),
            #body
            responses(#(#responses),*)
        )]
        #[::actix_web::#method(#address)]
        #handler
    })
}

/// The type of the first argument, which admits roles.
fn admitted(handler: &ItemFn) -> Result<&Type> {
    match handler.sig.inputs.first() {
        Some(FnArg::Typed(first)) => Ok(&first.ty),
        Some(FnArg::Receiver(_)) | None => Err(Error::new_spanned(
            &handler.sig,
            "the first argument must say who may call it: `_by: Staff`, or `_by: Anyone`",
        )),
    }
}

/// The body of a change has no type of its own: it is made from the type that it changes.
fn merge_patch(of: &Type) -> Tokens {
    quote! {
        fn merge_patch(
            forms: &mut Vec<(String, utoipa::openapi::RefOr<utoipa::openapi::Schema>)>,
        ) -> Option<utoipa::openapi::request_body::RequestBody> {
            Some(crate::ground::body::merge_patch::<#of>(forms))
        }
    }
}
