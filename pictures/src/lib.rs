//! What is made of a picture that was sent: upright, without metadata, in a few widths, as JPEG.

use fast_image_resize::{IntoImageView, ResizeError, Resizer};
use image::{
    DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage,
    codecs::jpeg::JpegEncoder, metadata::Orientation,
};
use std::{fmt, io::Cursor};

/// Pixels, upright; a picture is never enlarged, so a smaller one has its own width as its largest.
const WIDTHS: [u32; 4] = [2560, 1280, 640, 320];
const MOST_PIXELS: u64 = 40_000_000;
/// Pixels of a side. A JPEG of 65,535 has rows enough for anything; this keeps the narrowest one in bounds too.
const LONGEST_SIDE: u32 = 16_383;
/// JPEG quality, of 100: no difference is seen at arm's length.
const QUALITY: u8 = 82;
/// Each scan of a progressive JPEG goes over all of the picture; common ones have about ten.
const MOST_SCANS: u32 = 100;
const MIB: u64 = 1024 * 1024;
/// MiB that a picture may take while it is decoded.
pub const MOST_MIB: u32 = 256;

/// One file made of a picture.
pub struct Made {
    pub width: u32,
    pub height: u32,
    pub jpeg: Vec<u8>,
}

/// Why nothing was made of what was sent.
#[derive(Debug)]
pub enum Refusal {
    NotTaken,
    Cut,
    TooManyPixels { width: u32, height: u32 },
    TooMuchMemory,
    Unreadable(String),
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refusal::NotTaken => f.write_str("not a JPEG, PNG or WebP, going by its content"),
            Refusal::Cut => f.write_str("the picture is cut off before its end; send it again"),
            Refusal::TooManyPixels { width, height } => write!(
                f,
                "{width} x {height} pixels; at most {} megapixels and {LONGEST_SIDE} a side are taken",
                MOST_PIXELS / 1_000_000
            ),
            Refusal::TooMuchMemory => f.write_str(
                "a picture of this form and size takes too much memory to read; send it smaller, or as a baseline JPEG",
            ),
            Refusal::Unreadable(why) => write!(f, "the picture cannot be read: {why}"),
        }
    }
}

/// MiB that [`make`] takes for this picture, from its header alone; refuses what is not taken.
pub fn look(bytes: &[u8]) -> Result<u32, Refusal> {
    let form = form(bytes).ok_or(Refusal::NotTaken)?;
    let frame = frame(form, bytes).ok_or(Refusal::Cut)?;
    let decoder = decoder(form, bytes)?;
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    if pixels > MOST_PIXELS || width.max(height) > LONGEST_SIDE {
        return Err(Refusal::TooManyPixels { width, height });
    }
    let picture = decoder.total_bytes();
    let decoded = match frame {
        Frame::AtOnce => picture,
        // Two bytes for each coefficient until the last scan, beside the picture.
        Frame::Progressive { scans } if scans > MOST_SCANS => {
            let detail = format!("more than {MOST_SCANS} scans");
            return Err(Refusal::Unreadable(detail));
        }
        Frame::Progressive { .. } => 3 * picture,
        // The decoder's own picture, 4 bytes a pixel, beside ours.
        Frame::WebP => picture + 4 * pixels,
    };
    // What was sent, and the decoder's copy of it.
    let sent = 2 * bytes.len() as u64;
    u32::try_from((decoded + sent).div_ceil(MIB))
        .ok()
        .filter(|needed| *needed <= MOST_MIB)
        .ok_or(Refusal::TooMuchMemory)
}

/// The files of a picture, the widest first. Refuses what [`look`] refuses, and what does not decode.
pub fn make(bytes: Vec<u8>) -> Result<Vec<Made>, Refusal> {
    look(&bytes)?;
    let form = form(&bytes).ok_or(Refusal::NotTaken)?;
    let mut decoder = decoder(form, &bytes)?;
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let picture = DynamicImage::from_decoder(decoder).map_err(unreadable)?;
    drop(bytes);
    // Shrunk before it is turned: turning needs a second copy.
    let (width, height) = (picture.width(), picture.height());
    let lies = lies_on_its_side(orientation);
    let (across, up) = if lies {
        (height, width)
    } else {
        (width, height)
    };
    let mut widths = widths(across);
    let largest = size(across, up, widths.next().unwrap_or(across));
    let (to_width, to_height) = if lies {
        (largest.1, largest.0)
    } else {
        largest
    };
    let mut shrunk = shrink(picture, to_width, to_height)?;
    shrunk = on_white(shrunk).into();
    shrunk.apply_orientation(orientation);
    let mut made = vec![encode(&shrunk)?];
    for width in widths {
        let (width, height) = size(across, up, width);
        shrunk = shrink(shrunk, width, height)?;
        made.push(encode(&shrunk)?);
    }
    Ok(made)
}

/// EXIF tag 274 (TIFF 6.0, page 36; JEITA CP-3451, 4.6.4): values 5 to 8 store columns as rows.
fn lies_on_its_side(orientation: Orientation) -> bool {
    match orientation {
        Orientation::NoTransforms
        | Orientation::Rotate180
        | Orientation::FlipHorizontal
        | Orientation::FlipVertical => false,
        Orientation::Rotate90
        | Orientation::Rotate270
        | Orientation::Rotate90FlipH
        | Orientation::Rotate270FlipH => true,
    }
}

/// Widths to make of a picture of that width, the widest first.
fn widths(own: u32) -> impl Iterator<Item = u32> {
    let largest = own.min(WIDTHS[0]);
    std::iter::once(largest).chain(WIDTHS.into_iter().filter(move |width| *width < largest))
}

/// Width and height at that width, to the nearest pixel.
fn size(across: u32, up: u32, width: u32) -> (u32, u32) {
    let (across, up, to) = (u64::from(across), u64::from(up), u64::from(width));
    let height = (up * to + across / 2) / across.max(1);
    (
        width,
        u32::try_from(height.max(1)).expect("no more than the height that there was"),
    )
}

fn shrink(picture: DynamicImage, width: u32, height: u32) -> Result<DynamicImage, Refusal> {
    if (picture.width(), picture.height()) == (width, height) {
        return Ok(picture);
    }
    let picture = match picture.pixel_type() {
        Some(_) => picture,
        None => picture.into_rgba8().into(),
    };
    let mut shrunk = DynamicImage::new(width, height, picture.color());
    Resizer::new()
        .resize(&picture, &mut shrunk, None)
        .map_err(|e: ResizeError| Refusal::Unreadable(e.to_string()))?;
    Ok(shrunk)
}

/// JPEG knows no transparency.
fn on_white(picture: DynamicImage) -> RgbImage {
    if !picture.color().has_alpha() {
        return picture.into_rgb8();
    }
    let picture = picture.into_rgba8();
    let mut white = RgbImage::new(picture.width(), picture.height());
    for (to, from) in white.pixels_mut().zip(picture.pixels()) {
        let [red, green, blue, alpha] = from.0.map(u32::from);
        to.0 = [red, green, blue].map(|part| {
            let mixed = (part * alpha + 255 * (255 - alpha) + 127) / 255;
            u8::try_from(mixed).expect("a mean of two bytes")
        });
    }
    white
}

fn encode(picture: &DynamicImage) -> Result<Made, Refusal> {
    let mut jpeg = Vec::new();
    picture
        .write_with_encoder(JpegEncoder::new_with_quality(&mut jpeg, QUALITY))
        .map_err(unreadable)?;
    Ok(Made {
        width: picture.width(),
        height: picture.height(),
        jpeg,
    })
}

fn decoder(form: ImageFormat, bytes: &[u8]) -> Result<impl ImageDecoder + '_, Refusal> {
    let mut reader = ImageReader::with_format(Cursor::new(bytes), form);
    let mut limits = Limits::no_limits();
    limits.max_alloc = Some(u64::from(MOST_MIB) * MIB);
    reader.limits(limits);
    reader.into_decoder().map_err(unreadable)
}

fn unreadable(error: image::ImageError) -> Refusal {
    match error {
        image::ImageError::Limits(_) => Refusal::TooMuchMemory,
        error => Refusal::Unreadable(error.to_string()),
    }
}

/// How a picture is stored, as far as it changes what decoding takes.
enum Frame {
    AtOnce,
    Progressive { scans: u32 },
    WebP,
}

/// By the first bytes alone: a name or a Content-Type may say anything.
fn form(bytes: &[u8]) -> Option<ImageFormat> {
    if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
        Some(ImageFormat::Jpeg)
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(ImageFormat::Png)
    } else if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        Some(ImageFormat::WebP)
    } else {
        None
    }
}

/// None when the file ends before the picture does. The decoders fill what is missing with grey.
fn frame(form: ImageFormat, bytes: &[u8]) -> Option<Frame> {
    match form {
        ImageFormat::Jpeg => jpeg_frame(bytes),
        ImageFormat::Png => png_ends(bytes).then_some(Frame::AtOnce),
        ImageFormat::WebP => {
            let length = bytes.get(4..8)?.try_into().map(u32::from_le_bytes).ok()?;
            let end = usize::try_from(length).ok()?.checked_add(8)?;
            (end <= bytes.len()).then_some(Frame::WebP)
        }
        _ => None,
    }
}

/// Walks the markers to the end of the image; what follows it is not looked at.
///
/// Source: ITU-T T.81, B.1.1 (markers, fill bytes, lengths), table B.1.
fn jpeg_frame(bytes: &[u8]) -> Option<Frame> {
    let (mut progressive, mut scans) = (false, 0);
    let mut at = 2;
    loop {
        // Coded data, whose FF are followed by 00, and fill bytes lie before a marker.
        while *bytes.get(at)? != 0xff || matches!(bytes.get(at + 1)?, 0x00 | 0xff) {
            at += 1;
        }
        let marker = *bytes.get(at + 1)?;
        at += 2;
        match marker {
            0xd9 if progressive => return Some(Frame::Progressive { scans }),
            0xd9 => return Some(Frame::AtOnce),
            0x01 | 0xd0..=0xd8 => continue,
            0xc2 | 0xc6 | 0xca | 0xce => progressive = true,
            0xda => scans += 1,
            _ => {}
        }
        let length = [*bytes.get(at)?, *bytes.get(at + 1)?];
        at += usize::from(u16::from_be_bytes(length));
    }
}

/// Source: PNG (W3C, third edition), 5.3 (chunks) and 11.2.4 (IEND).
fn png_ends(bytes: &[u8]) -> bool {
    let mut at = 8_usize;
    while let Some(head) = at.checked_add(8).and_then(|end| bytes.get(at..end)) {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
        // The chunk's head and checksum.
        let Some(next) = at.checked_add(length as usize + 12) else {
            return false;
        };
        if next > bytes.len() {
            return false;
        }
        if &head[4..] == b"IEND" {
            return true;
        }
        at = next;
    }
    false
}
