//! Converts an uploaded picture: upright, without metadata, in several widths, as JPEG.

use fast_image_resize::{
    Resizer,
    images::{TypedImage, TypedImageRef},
    pixels::U8x3,
};
use image::{
    ColorType, DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage,
    codecs::jpeg::JpegEncoder, metadata::Orientation,
};
use std::{fmt, io::Cursor};

/// In pixels, upright. A picture is never enlarged: a smaller one has its own width as its largest.
const WIDTHS: [u32; 4] = [2560, 1280, 640, 320];
const MOST_PIXELS: u64 = 40_000_000;
/// In pixels. It also bounds a very narrow picture, which the limit on pixels would let have 65,535 rows.
const LONGEST_SIDE: u32 = 16_383;
/// JPEG quality out of 100: no difference is visible at arm's length.
const QUALITY: u8 = 82;
/// Each scan of a progressive JPEG covers the whole picture; common ones have about ten.
const MOST_SCANS: u32 = 100;
const MIB: u64 = 1024 * 1024;
/// Bytes of Exif that are searched for the orientation.
const MOST_EXIF: usize = 1024 * 1024;

/// One file made from a picture.
pub struct Made {
    pub width: u32,
    pub height: u32,
    pub jpeg: Vec<u8>,
}

/// Why a picture is refused.
#[derive(Debug)]
pub enum Refusal {
    NotTaken,
    Cut,
    TooManyPixels { width: u32, height: u32 },
    TooMuchMemory { needed: u64, most: u32 },
    Unreadable(String),
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refusal::NotTaken => {
                f.write_str("must be a JPEG, PNG or WebP, which is decided by its content")
            }
            Refusal::Cut => f.write_str("the picture is cut off before its end; send it again"),
            Refusal::TooManyPixels { width, height } => write!(
                f,
                "{width} x {height} pixels; send at most {} megapixels and {LONGEST_SIDE} on a side",
                MOST_PIXELS / 1_000_000
            ),
            Refusal::TooMuchMemory { needed, most } => write!(
                f,
                "decoding this picture needs {needed} MiB of memory, and only {most} MiB are available for pictures; send it smaller, \
                 or as a baseline JPEG"
            ),
            Refusal::Unreadable(reason) => write!(f, "the picture cannot be read: {reason}"),
        }
    }
}

/// A picture that can be converted, with the memory that this takes.
struct Sent {
    form: ImageFormat,
    bytes: Vec<u8>,
    needed: u32,
}

impl Sent {
    /// `most`: MiB of memory that are available for it.
    fn read(bytes: Vec<u8>, most: u32) -> Result<Sent, Refusal> {
        let form = form(&bytes).ok_or(Refusal::NotTaken)?;
        let frame = frame(form, &bytes).ok_or(Refusal::Cut)?;
        let bytes = match form {
            ImageFormat::Png => bare_png(bytes),
            _ => bytes,
        };
        let decoder = decoder(form, &bytes, most)?;
        let (width, height) = decoder.dimensions();
        let pixels = u64::from(width) * u64::from(height);
        if pixels > MOST_PIXELS || width.max(height) > LONGEST_SIDE {
            return Err(Refusal::TooManyPixels { width, height });
        }
        let picture = decoder.total_bytes();
        // Memory that the decoder needs besides the picture.
        let beside = match frame {
            Frame::AtOnce => 0,
            Frame::Progressive { scans } if scans > MOST_SCANS => {
                let detail = format!("it has more than {MOST_SCANS} scans");
                return Err(Refusal::Unreadable(detail));
            }
            // Two bytes for each coefficient until the last scan.
            Frame::Progressive { .. } => 2 * picture,
            Frame::WebP { largest, .. } if largest > MOST_PIXELS => {
                let detail = "it has a frame that is larger than the picture".to_owned();
                return Err(Refusal::Unreadable(detail));
            }
            // The planes of a lossy frame and its alpha, or a lossless frame; for an animation the canvas too.
            Frame::WebP { animated, largest } => {
                7 * largest.max(pixels) + if animated { 4 * pixels } else { 0 }
            }
        };
        // The upload, and the decoder's copy of it.
        let decoding = picture + beside + 2 * bytes.len() as u64;
        // A copy with three or four bytes a pixel, unless the picture already is one.
        let copy = match decoder.color_type() {
            ColorType::Rgb8 | ColorType::Rgba8 => 0,
            colour if colour.has_alpha() => 4 * pixels,
            _ => 3 * pixels,
        };
        // The picture keeps its height while it is made narrower.
        let narrow = 4 * u64::from(width.min(WIDTHS[0])) * u64::from(height);
        let shrinking = (if copy == 0 { picture } else { copy }) + narrow;
        let needed = decoding.max(picture + copy).max(shrinking).div_ceil(MIB);
        drop(decoder);
        let needed = u32::try_from(needed)
            .ok()
            .filter(|needed| *needed <= most)
            .ok_or(Refusal::TooMuchMemory { needed, most })?;
        Ok(Sent {
            form,
            bytes,
            needed,
        })
    }
}

/// MiB of memory that [`make`] needs for this picture, from its header. Refuses other formats, and pictures that need
/// more than `most`.
pub fn look(bytes: Vec<u8>, most: u32) -> Result<u32, Refusal> {
    Ok(Sent::read(bytes, most)?.needed)
}

/// The files of a picture, widest first. Refuses what [`look`] refuses, and what does not decode.
pub fn make(bytes: Vec<u8>, most: u32) -> Result<Vec<Made>, Refusal> {
    let sent = Sent::read(bytes, most)?;
    let mut decoder = decoder(sent.form, &sent.bytes, most)?;
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let picture = DynamicImage::from_decoder(decoder).map_err(unreadable)?;
    drop(sent);
    let picture = on_white(picture);
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
    let mut shrunk = DynamicImage::from(shrink(picture, to_width, to_height)?);
    shrunk.apply_orientation(orientation);
    let mut shrunk = shrunk.into_rgb8();
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

/// Widths to make of a picture of this width, widest first.
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
        u32::try_from(height.max(1)).expect("no more than the original height"),
    )
}

/// For one pixel format: the resizer is compiled for each format that it gets, which took most of this crate's compile
/// time.
fn shrink(picture: RgbImage, width: u32, height: u32) -> Result<RgbImage, Refusal> {
    if picture.dimensions() == (width, height) {
        return Ok(picture);
    }
    let mut shrunk = RgbImage::new(width, height);
    let from = TypedImageRef::<U8x3>::from_buffer(picture.width(), picture.height(), &picture);
    let to = TypedImage::<U8x3>::from_buffer(width, height, &mut shrunk);
    let unshrinkable = |e: &dyn fmt::Display| Refusal::Unreadable(e.to_string());
    Resizer::new()
        .resize_typed(
            &from.map_err(|e| unshrinkable(&e))?,
            &mut to.map_err(|e| unshrinkable(&e))?,
            None,
        )
        .map_err(|e| unshrinkable(&e))?;
    Ok(shrunk)
}

/// Puts a picture on white, as JPEG has no transparency. In place where possible: pictures are large.
fn on_white(picture: DynamicImage) -> RgbImage {
    if !picture.color().has_alpha() {
        return picture.into_rgb8();
    }
    let picture = picture.into_rgba8();
    let (width, height) = picture.dimensions();
    let mut bytes = picture.into_raw();
    let pixels = bytes.len() / 4;
    for pixel in 0..pixels {
        let alpha = u32::from(bytes[4 * pixel + 3]);
        for part in 0..3 {
            let colour = u32::from(bytes[4 * pixel + part]);
            let mixed = (colour * alpha + 255 * (255 - alpha) + 127) / 255;
            bytes[3 * pixel + part] = u8::try_from(mixed).expect("a mean of two bytes");
        }
    }
    bytes.truncate(3 * pixels);
    RgbImage::from_raw(width, height, bytes).expect("three bytes for each pixel")
}

fn encode(picture: &RgbImage) -> Result<Made, Refusal> {
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

fn decoder(form: ImageFormat, bytes: &[u8], most: u32) -> Result<impl ImageDecoder + '_, Refusal> {
    let mut reader = ImageReader::with_format(Cursor::new(bytes), form);
    let mut limits = Limits::no_limits();
    limits.max_alloc = Some(u64::from(most) * MIB);
    reader.limits(limits);
    reader.into_decoder().map_err(unreadable)
}

fn unreadable(error: image::ImageError) -> Refusal {
    match error {
        image::ImageError::Limits(_) => {
            Refusal::Unreadable("it needs more memory than its size suggests".to_owned())
        }
        error => Refusal::Unreadable(error.to_string()),
    }
}

/// How a picture is stored, as far as that affects the memory for decoding.
enum Frame {
    AtOnce,
    Progressive {
        scans: u32,
    },
    /// `largest`: pixels of the largest frame that the file declares.
    WebP {
        animated: bool,
        largest: u64,
    },
}

/// The format, only from the first bytes: a name or a Content-Type may be wrong.
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

/// `None`: the file ends before the picture does. Decoders fill the missing part with grey.
fn frame(form: ImageFormat, bytes: &[u8]) -> Option<Frame> {
    match form {
        ImageFormat::Jpeg => jpeg_frame(bytes),
        ImageFormat::Png => png_ends(bytes).then_some(Frame::AtOnce),
        ImageFormat::WebP => webp_frame(bytes),
        _ => None,
    }
}

/// Walks the markers to the end of the image and ignores what follows.
///
/// Source: ITU-T T.81, B.1.1 (markers, fill bytes, lengths), table B.1.
fn jpeg_frame(bytes: &[u8]) -> Option<Frame> {
    let (mut progressive, mut scans) = (false, 0);
    let mut at = 2;
    loop {
        // Before a marker come coded data, whose FF are followed by 00, and fill bytes.
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
        // The chunk's header and checksum.
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

/// Removes what a picture does not need, in place: colour profiles and texts are stored compressed, and 255 KiB of them
/// can expand to 256 MiB. Only for a complete PNG.
///
/// Source: PNG (W3C, third edition), 5.3 (chunks), 11.2 (those that a decoder must know), 11.3.1 (tRNS), 11.3.4.3
/// (eXIf).
fn bare_png(mut bytes: Vec<u8>) -> Vec<u8> {
    let (mut from, mut to) = (8, 8);
    while let Some(head) = bytes.get(from..from + 8) {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let next = from + length + 12;
        let (keep, last) = match &head[4..] {
            b"IHDR" | b"PLTE" | b"tRNS" | b"IDAT" => (true, false),
            b"eXIf" => (length <= MOST_EXIF, false),
            b"IEND" => (true, true),
            _ => (false, false),
        };
        if keep {
            bytes.copy_within(from..next, to);
            to += next - from;
        }
        if last {
            break;
        }
        from = next;
    }
    bytes.truncate(to);
    bytes
}

/// `None`: the file ends before it should.
///
/// Source: RFC 9649, 2.3 to 2.7 (chunks, VP8X, ANMF), 3.4 (VP8L); RFC 6386, 9.1 (VP8).
fn webp_frame(bytes: &[u8]) -> Option<Frame> {
    let length = u32::from_le_bytes(bytes.get(4..8)?.try_into().ok()?);
    let end = usize::try_from(length).ok()?.checked_add(8)?;
    let bytes = bytes.get(..end)?;
    let (mut animated, mut largest) = (false, 0);
    let mut at = 12;
    while let Some(head) = bytes.get(at..at + 8) {
        let content = at + 8;
        let length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
        let pixels = |bits: u32| u64::from(bits & 0x3fff);
        match &head[..4] {
            b"ANMF" => {
                animated = true;
                // Its frame consists of chunks, after 16 bytes of position and duration.
                at = content + 16;
                continue;
            }
            b"VP8 " => {
                let size = bytes.get(content + 6..content + 10)?;
                let [width, height] =
                    [[size[0], size[1]], [size[2], size[3]]].map(u16::from_le_bytes);
                largest = largest.max(pixels(width.into()) * pixels(height.into()));
            }
            b"VP8L" => {
                let size = bytes.get(content + 1..content + 5)?;
                let size = u32::from_le_bytes(size.try_into().ok()?);
                largest = largest.max((pixels(size) + 1) * (pixels(size >> 14) + 1));
            }
            _ => {}
        }
        // Chunks are padded to an even length.
        at = content.checked_add(length)?.checked_add(length & 1)?;
    }
    Some(Frame::WebP { animated, largest })
}
