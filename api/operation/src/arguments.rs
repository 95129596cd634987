//! The parameters and the body that the types of a handler's arguments declare.

use crate::attribute::Attribute;
use proc_macro2::TokenStream;
use quote::quote;
use syn::{
    Error, FnArg, GenericArgument, ItemFn, PathArguments, PathSegment, Result, Type, parse_quote,
};

pub struct Declared<'h> {
    /// In the syntax of `utoipa::path`.
    pub params: Vec<TokenStream>,
    /// In the syntax of `utoipa::path`.
    pub request_body: Option<TokenStream>,
    /// The type that a merge patch changes.
    pub merge_patch: Option<&'h Type>,
}

pub fn declared<'h>(handler: &'h ItemFn, attribute: &Attribute) -> Result<Declared<'h>> {
    let mut in_address = Vec::new();
    let (mut in_query, mut in_header) = (Vec::new(), Vec::new());
    let (mut is_page, mut body, mut merge_patch) = (false, None, None);
    for argument in &handler.sig.inputs {
        let Some((of, inner)) = generic_or_plain(argument) else {
            continue;
        };
        match (of.as_str(), inner) {
            ("Path", Some(Type::Tuple(types))) => in_address.extend(types.elems.clone()),
            ("Path", Some(only)) => in_address.push(only.clone()),
            ("Found", Some(_)) => in_address.push(parse_quote!(i64)),
            ("Query", Some(query)) => in_query.push(query),
            ("ListQuery", filters) => {
                in_query.extend(filters);
                is_page = true;
            }
            ("KeyedBody", Some(json)) => {
                body = Some(quote!(content = #json));
                in_header.push(quote!(crate::ground::body::Keyed));
            }
            ("Body", Some(json)) => {
                body = Some(quote!(content = #json));
                // A request that records nothing can simply be repeated.
                if attribute.creates {
                    in_header.push(quote!(crate::ground::body::Repeatable));
                }
            }
            ("Put", Some(json)) => {
                body = Some(quote!(content = #json));
                in_header.push(quote!(crate::ground::body::IfMatch));
            }
            ("Patch", Some(json)) => {
                merge_patch = Some(json);
                in_header.push(quote!(crate::ground::body::IfMatch));
            }
            ("IfUnchanged", None) => in_header.push(quote!(crate::ground::body::IfMatch)),
            _ => {}
        }
    }
    let mut params = address_params(&in_address, attribute)?;
    params.extend(in_query.iter().map(|query| quote!(#query)));
    let other = attribute.params.iter();
    let other = other.filter(|param| !stands_in_address(param.name.as_deref(), attribute));
    params.extend(other.map(|param| param.words.clone()));
    if is_page {
        params.push(quote!(crate::ground::list::PageParams));
    }
    params.extend(in_header);
    let words = [body, attribute.request_body.clone()];
    let words: Vec<TokenStream> = words.into_iter().flatten().collect();
    Ok(Declared {
        params,
        merge_patch,
        request_body: (!words.is_empty()).then(|| quote!(request_body(#(#words),*),)),
    })
}

fn stands_in_address(name: Option<&str>, attribute: &Attribute) -> bool {
    let placeholders = attribute.placeholders();
    name.is_some_and(|name| placeholders.iter().any(|it| it == name))
}

/// The parameters in the path: numbers by their type, others as the attribute declares them.
fn address_params(types: &[Type], attribute: &Attribute) -> Result<Vec<TokenStream>> {
    let placeholders = attribute.placeholders();
    let of_type = |(at, name): (usize, &String)| {
        let given = attribute.params.iter();
        let mut given = given.filter(|param| param.name.as_ref() == Some(name));
        if let Some(given) = given.next() {
            return Ok(given.words.clone());
        }
        let number = types.get(at).filter(|it| is_number(it)).ok_or_else(|| {
            let missing = format!(
                "no argument says of `{{{name}}}` that it is a number: \
                 take it in `web::Path`, or say it in `params((\"{name}\" = Type, Path, example = ..))`"
            );
            Error::new(attribute.address.span(), missing)
        })?;
        // The examples of the document are about one engine.
        let example = if name == "stock_no" { 10 } else { 1 };
        Ok(quote!((#name = #number, Path, example = #example, minimum = 1)))
    };
    placeholders.iter().enumerate().map(of_type).collect()
}

fn is_number(of: &Type) -> bool {
    matches!(of, Type::Path(path) if path.path.is_ident("i32") || path.path.is_ident("i64"))
}

/// The last name of an argument's type, and the type within it.
fn generic_or_plain(argument: &FnArg) -> Option<(String, Option<&Type>)> {
    let FnArg::Typed(argument) = argument else {
        return None;
    };
    let Type::Path(path) = &*argument.ty else {
        return None;
    };
    let PathSegment { ident, arguments } = path.path.segments.last()?;
    let inner = match arguments {
        PathArguments::AngleBracketed(inner) => match inner.args.first() {
            Some(GenericArgument::Type(inner)) => Some(inner),
            _ => None,
        },
        PathArguments::None | PathArguments::Parenthesized(_) => None,
    };
    Some((ident.to_string(), inner))
}
