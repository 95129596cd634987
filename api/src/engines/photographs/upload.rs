//! Photograph uploads, kept on disk until there is memory to examine them.

use crate::ground::{
    body::{Body, cut_off, is_plain, media_type, not_taken, too_large},
    problem::{self, Problem},
    text::Text,
};
use actix_multipart::{Field, Multipart};
use actix_web::{FromRequest, HttpRequest, dev::Payload, http::header, web};
use futures_util::StreamExt;
use sha2::{Digest, Sha256};
use std::{fs::File, pin::Pin};
use tokio::io::AsyncWriteExt;
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{KnownFormat, ObjectBuilder, RefOr, Schema, SchemaFormat, schema::Type},
};

/// The most bytes of a picture.
pub(super) const LIMIT: usize = 25 * 1024 * 1024;
/// The most bytes of any other form part.
const LIMIT_OF_WORDS: usize = 4096;
const JPEG: &str = "image/jpeg";
const PNG: &str = "image/png";
const WEBP: &str = "image/webp";
const FORM: &str = "multipart/form-data";

/// An uploaded picture with its description.
pub struct Upload {
    pub(super) file: File,
    /// JSON pointer to the picture; empty: the picture is the whole body.
    pub(super) pointer: &'static str,
    pub(super) alt: Option<Text<500>>,
    pub(super) public: bool,
    /// For `Db::create`.
    pub(super) body: Body<()>,
}

/// The parts of a form.
#[derive(ToSchema)]
#[expect(dead_code, reason = "describes the form; Upload reads it")]
#[schema(example = json!({"photograph": "\u{ff}\u{d8}\u{ff}\u{e0}", "alt": "Marrowby from the left, on a bench", "public": true}))]
pub struct UploadForm {
    /// JPEG, PNG or WebP.
    photograph: PictureFile,
    /// Text for people who cannot see the image; without it visitors are not shown the photograph.
    alt: Option<Text<500>>,
    /// Whether visitors may see it while the engine is listed. Default: false.
    #[schema(default = false)]
    public: Option<bool>,
}

/// The bytes of a picture.
pub struct PictureFile;

impl PartialSchema for PictureFile {
    fn schema() -> RefOr<Schema> {
        let bytes = ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::Binary)))
            .max_length(Some(LIMIT))
            .examples(["\u{ff}\u{d8}\u{ff}\u{e0}"]);
        RefOr::T(Schema::Object(bytes.build()))
    }
}

impl ToSchema for PictureFile {}

impl FromRequest for Upload {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (req, payload) = (req.clone(), payload.take());
        Box::pin(async move {
            is_plain(&req)?;
            let length = req.headers().get(header::CONTENT_LENGTH);
            let length = length.and_then(|length| length.to_str().ok()?.parse::<usize>().ok());
            match media_type(&req).as_str() {
                JPEG | PNG | WEBP if length.is_some_and(|length| length > LIMIT) => {
                    Err(too_large(LIMIT))
                }
                JPEG | PNG | WEBP => raw(&req, payload).await,
                FORM => form(&req, payload).await,
                other => Err(not_taken(other, &[JPEG, PNG, WEBP, FORM])),
            }
        })
    }
}

async fn raw(req: &HttpRequest, payload: Payload) -> Result<Upload, Problem> {
    let mut spool = Spool::new()?;
    let mut payload = web::Payload::from_request(req, &mut { payload })
        .await
        .map_err(Problem::internal)?;
    while let Some(chunk) = payload.next().await {
        spool.take(&chunk.map_err(cut_off)?).await?;
    }
    let (file, digest) = spool.end().await?;
    Ok(Upload {
        file,
        pointer: "",
        alt: None,
        public: false,
        body: Body::of(req, digest.finalize().to_vec())?,
    })
}

async fn form(req: &HttpRequest, payload: Payload) -> Result<Upload, Problem> {
    let mut parts = Multipart::new(req.headers(), payload);
    let (mut picture, mut alt, mut public) = (None, None, None);
    while let Some(part) = parts.next().await {
        let part = part.map_err(cut_off)?;
        let name = part.name().unwrap_or_default().to_owned();
        let twice = || Problem::invalid(format!("/{name}"), "must be sent only once");
        match name.as_str() {
            "photograph" if picture.is_none() => picture = Some(spooled(part).await?),
            "alt" if alt.is_none() => {
                let words = text_of(part, "/alt").await?;
                let read = words.parse().map_err(|e| Problem::invalid("/alt", e));
                alt = Some(read?);
            }
            "public" if public.is_none() => {
                let words = text_of(part, "/public").await?;
                // Some languages write `True` and `False`.
                let read = words.to_ascii_lowercase().parse::<bool>();
                public = Some(
                    read.map_err(|_| Problem::invalid("/public", "must be `true` or `false`"))?,
                );
            }
            "photograph" | "alt" | "public" => return Err(twice()),
            _ => {
                let detail = "a form may have only the parts `photograph`, `alt` and `public`";
                return Err(Problem::invalid("", detail));
            }
        }
    }
    let Some((file, mut digest)) = picture else {
        return Err(Problem::invalid(
            "/photograph",
            "missing; send the picture in this part",
        ));
    };
    digest.update(format!("{alt:?} {public:?}"));
    Ok(Upload {
        file,
        pointer: "/photograph",
        alt,
        public: public.unwrap_or(false),
        body: Body::of(req, digest.finalize().to_vec())?,
    })
}

async fn spooled(mut part: Field) -> Result<(File, Sha256), Problem> {
    let mut spool = Spool::new()?;
    while let Some(chunk) = part.next().await {
        spool.take(&chunk.map_err(cut_off)?).await?;
    }
    spool.end().await
}

async fn text_of(mut part: Field, pointer: &str) -> Result<String, Problem> {
    let mut words = Vec::new();
    while let Some(chunk) = part.next().await {
        let chunk = chunk.map_err(cut_off)?;
        if words.len() + chunk.len() > LIMIT_OF_WORDS {
            let detail = format!("must be at most {LIMIT_OF_WORDS} bytes");
            return Err(Problem::invalid(pointer, detail));
        }
        words.extend_from_slice(&chunk);
    }
    String::from_utf8(words).map_err(|_| Problem::invalid(pointer, "must be UTF-8"))
}

/// An unnamed file that disappears with the request.
struct Spool {
    file: tokio::fs::File,
    length: usize,
    digest: Sha256,
}

impl Spool {
    fn new() -> Result<Spool, Problem> {
        Ok(Spool {
            file: tempfile::tempfile().map_err(failed)?.into(),
            length: 0,
            digest: Sha256::new(),
        })
    }

    async fn take(&mut self, chunk: &[u8]) -> Result<(), Problem> {
        self.length += chunk.len();
        if self.length > LIMIT {
            return Err(too_large(LIMIT));
        }
        self.digest.update(chunk);
        self.file.write_all(chunk).await.map_err(failed)
    }

    async fn end(mut self) -> Result<(File, Sha256), Problem> {
        self.file.flush().await.map_err(failed)?;
        Ok((self.file.into_std().await, self.digest))
    }
}

fn failed(error: std::io::Error) -> Problem {
    if error.kind() == std::io::ErrorKind::StorageFull {
        let detail = "the disk is full; nothing was stored, try again later";
        return Problem::new(problem::STORAGE_FULL, detail).with_header("retry-after", "30");
    }
    Problem::internal(error)
}
