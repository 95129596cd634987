//! The content of the attribute.

use proc_macro2::TokenStream;
use quote::quote;
use syn::{
    Error, Ident, LitInt, LitStr, Result, Token, Type, parenthesized,
    parse::{Parse, ParseStream},
    punctuated::Punctuated,
    token::Paren,
};

pub struct Attribute {
    /// As the router reads it.
    pub address: LitStr,
    /// The operation id, if it is not the handler's name.
    pub id: Option<String>,
    /// In the syntax of `utoipa::path`.
    pub responses: Vec<TokenStream>,
    pub params: Vec<Param>,
    pub request_body: Option<TokenStream>,
    /// Whether the operation records something.
    pub creates: bool,
}

/// A parameter that no type declares.
pub struct Param {
    /// `None`: a type that declares several parameters.
    pub name: Option<String>,
    pub words: TokenStream,
}

impl Attribute {
    /// The path as the document writes it: without patterns.
    pub fn plain_address(&self) -> String {
        let (mut plain, mut in_pattern) = (String::new(), false);
        for letter in self.address.value().chars() {
            match letter {
                ':' => in_pattern = true,
                '}' => in_pattern = false,
                _ => {}
            }
            if !in_pattern {
                plain.push(letter);
            }
        }
        plain
    }

    /// The names in braces in the path.
    pub fn placeholders(&self) -> Vec<String> {
        let plain = self.plain_address();
        let parts = plain.split('{').skip(1);
        parts
            .filter_map(|part| Some(part.split_once('}')?.0.to_owned()))
            .collect()
    }
}

impl Parse for Attribute {
    fn parse(input: ParseStream<'_>) -> Result<Self> {
        let mut attribute = Attribute {
            address: input.parse()?,
            id: None,
            responses: Vec::new(),
            params: Vec::new(),
            request_body: None,
            creates: false,
        };
        while !input.is_empty() {
            input.parse::<Token![,]>()?;
            if input.peek(LitInt) {
                let status: LitInt = input.parse()?;
                attribute.creates |= status.base10_digits() == "201";
                attribute.responses.push(response(&status, input)?);
            } else if !input.is_empty() {
                attribute.word(input)?;
            }
        }
        if attribute.responses.is_empty() {
            let missing = "must say what it answers: `200 = Type`, or `204`";
            return Err(Error::new(attribute.address.span(), missing));
        }
        Ok(attribute)
    }
}

impl Attribute {
    fn word(&mut self, input: ParseStream<'_>) -> Result<()> {
        let word: Ident = input.parse()?;
        if word == "id" {
            input.parse::<Token![=]>()?;
            self.id = Some(input.parse::<LitStr>()?.value());
            return Ok(());
        }
        let inside;
        parenthesized!(inside in input);
        if word == "params" {
            let params = Punctuated::<Param, Token![,]>::parse_terminated(&inside)?;
            self.params = params.into_iter().collect();
        } else if word == "request_body" {
            self.request_body = Some(inside.parse()?);
        } else {
            let unknown = "must be `200 = Type`, `id = \"..\"`, `params(..)` or `request_body(..)`";
            return Err(Error::new(word.span(), unknown));
        }
        Ok(())
    }
}

fn response(status: &LitInt, input: ParseStream<'_>) -> Result<TokenStream> {
    if input.peek(Token![=]) {
        input.parse::<Token![=]>()?;
        let body: Type = input.parse()?;
        return Ok(quote!((status = #status, body = #body)));
    }
    if input.peek(Paren) {
        let inside;
        parenthesized!(inside in input);
        let words: TokenStream = inside.parse()?;
        return Ok(quote!((status = #status, #words)));
    }
    Ok(quote!((status = #status)))
}

impl Parse for Param {
    fn parse(input: ParseStream<'_>) -> Result<Self> {
        if !input.peek(Paren) {
            let of_type: Type = input.parse()?;
            return Ok(Param {
                name: None,
                words: quote!(#of_type),
            });
        }
        let inside;
        parenthesized!(inside in input);
        let name: LitStr = inside.parse()?;
        let rest: TokenStream = inside.parse()?;
        Ok(Param {
            name: Some(name.value()),
            words: quote!((#name #rest)),
        })
    }
}
