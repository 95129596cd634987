//! Photographs: upright, bare of metadata, in widths, in order, and refused where they would do harm.

use crate::{
    harness::{Answer, Shop, text},
    make,
};
use image::{
    DynamicImage, ExtendedColorType, ImageEncoder, ImageFormat, Rgb, RgbImage, Rgba, RgbaImage,
    codecs::jpeg::JpegEncoder,
};
use outshop_api::engines::photographs;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::io::Cursor;

const RED: [u8; 3] = [220, 30, 30];
const GREEN: [u8; 3] = [30, 200, 30];
const BLUE: [u8; 3] = [30, 30, 220];
const YELLOW: [u8; 3] = [230, 220, 30];
const CANARY: &[u8] = b"Zeisig Lane 12";

/// Red, green, blue and yellow in the corners: top left, top right, bottom left, bottom right.
fn quarters(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        Rgb(match (x < width / 2, y < height / 2) {
            (true, true) => RED,
            (false, true) => GREEN,
            (true, false) => BLUE,
            (false, false) => YELLOW,
        })
    })
}

fn stored_as(format: ImageFormat, picture: impl Into<DynamicImage>) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    picture
        .into()
        .write_to(&mut bytes, format)
        .expect("a picture");
    bytes.into_inner()
}

fn jpeg(picture: RgbImage) -> Vec<u8> {
    stored_as(ImageFormat::Jpeg, picture)
}

/// Exif with the orientation and a description: a TIFF 6.0 file (header, one directory, big end last) in it.
fn exif(orientation: u16) -> Vec<u8> {
    let mut words = CANARY.to_vec();
    words.push(0);
    let mut tiff = b"II\x2a\0\x08\0\0\0\x02\0".to_vec();
    // Tag, type (2: ASCII, 3: SHORT), count, offset or value.
    let length = u32::try_from(words.len()).expect("short").to_le_bytes();
    tiff.extend([0x0e, 0x01, 2, 0].iter().chain(&length));
    tiff.extend(38_u32.to_le_bytes());
    let [low, high] = orientation.to_le_bytes();
    tiff.extend([0x12, 0x01, 3, 0, 1, 0, 0, 0, low, high, 0, 0]);
    tiff.extend([0; 4]);
    tiff.extend(words);
    tiff
}

/// The JPEG with segments put behind its SOI.
fn with_segments(jpeg: &[u8], segments: &[(u8, &[u8])]) -> Vec<u8> {
    let mut bytes = jpeg[..2].to_vec();
    for (marker, content) in segments {
        let length = u16::try_from(content.len() + 2).expect("a short segment");
        bytes.extend([0xff, *marker]);
        bytes.extend(length.to_be_bytes());
        bytes.extend(*content);
    }
    bytes.extend(&jpeg[2..]);
    bytes
}

fn turned(jpeg: &[u8], orientation: u16) -> Vec<u8> {
    let app1 = [b"Exif\0\0".as_slice(), &exif(orientation)].concat();
    with_segments(jpeg, &[(0xe1, &app1)])
}

fn form(parts: &[(&str, &[u8])]) -> (String, Vec<u8>) {
    let mut body = Vec::new();
    for (name, content) in parts {
        body.extend(b"--limit\r\nContent-Disposition: form-data; name=\"");
        body.extend(name.as_bytes());
        if *name == "photograph" {
            body.extend(b"\"; filename=\"../../etc/DSC_0417.exe");
        }
        body.extend(b"\"\r\n\r\n");
        body.extend(*content);
        body.extend(b"\r\n");
    }
    body.extend(b"--limit--\r\n");
    ("multipart/form-data; boundary=limit".to_owned(), body)
}

fn address(stock_no: i64) -> String {
    format!("/v1/engines/{stock_no}/photographs")
}

impl Shop {
    async fn sends(&self, stock_no: i64, media_type: &str, bytes: Vec<u8>) -> Answer {
        self.request(Method::POST, &address(stock_no))
            .by(self, Role::Fitter)
            .body(media_type, bytes)
            .send()
            .await
    }

    async fn sends_form(&self, stock_no: i64, parts: &[(&str, &[u8])]) -> Answer {
        let (media_type, body) = form(parts);
        self.sends(stock_no, &media_type, body).await
    }

    async fn removes(&self, photograph: i64) -> Answer {
        let path = format!("/v1/photographs/{photograph}");
        let etag = self.get(&path).await.ok().etag();
        self.request(Method::DELETE, &path)
            .by(self, Role::Seller)
            .if_match(&etag)
            .send()
            .await
    }

    async fn file(&self, url: &str) -> Vec<u8> {
        let got = reqwest::get(format!("{}{url}", self.url)).await;
        let got = got.expect("an answer");
        assert_eq!(got.status(), 200, "{url}");
        got.bytes().await.expect("a body").to_vec()
    }

    fn files(&self) -> usize {
        let folder = std::fs::read_dir(self.photographs.path());
        folder.expect("the folder").count()
    }

    async fn ids(&self, stock_no: i64) -> Vec<i64> {
        let list = self.get(&address(stock_no)).await.ok();
        let items = list.body["items"].as_array().expect("items");
        items
            .iter()
            .map(|it| it["id"].as_i64().expect("an id"))
            .collect()
    }
}

fn sizes(photograph: &Value) -> Vec<(u64, u64, String)> {
    let sizes = photograph["sizes"].as_array().expect("sizes");
    sizes
        .iter()
        .map(|size| {
            let side = |name: &str| size[name].as_u64().expect("pixels");
            (side("width"), side("height"), text(&size["url"]))
        })
        .collect()
}

/// Colours a little inside the corners, in the order of `quarters`.
fn corners(picture: &RgbImage) -> [[u8; 3]; 4] {
    let (right, bottom) = (picture.width() - 5, picture.height() - 5);
    [(4, 4), (right, 4), (4, bottom), (right, bottom)].map(|(x, y)| picture.get_pixel(x, y).0)
}

#[track_caller]
fn are_alike(found: [[u8; 3]; 4], wanted: [[u8; 3]; 4], what: &str) {
    let far = found
        .iter()
        .flatten()
        .zip(wanted.iter().flatten())
        .any(|(a, b)| a.abs_diff(*b) > 40);
    assert!(!far, "{what}: {found:?}, not {wanted:?}");
}

fn read(bytes: &[u8]) -> RgbImage {
    image::load_from_memory_with_format(bytes, ImageFormat::Jpeg)
        .expect("a JPEG")
        .into_rgb8()
}

/// Markers before the coded data, each with its content.
///
/// Source: ITU-T T.81, B.1.1.4 and table B.1.
fn segments(jpeg: &[u8]) -> Vec<(u8, &[u8])> {
    assert_eq!(jpeg[..2], [0xff, 0xd8], "SOI");
    let mut segments = Vec::new();
    let mut at = 2;
    loop {
        assert_eq!(jpeg[at], 0xff);
        let length = usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
        segments.push((jpeg[at + 1], &jpeg[at + 4..at + 2 + length]));
        if jpeg[at + 1] == 0xda {
            break;
        }
        at += 2 + length;
    }
    assert!(jpeg.ends_with(&[0xff, 0xd9]), "EOI, and nothing after it");
    segments
}

#[track_caller]
fn is_bare(jpeg: &[u8]) {
    for (marker, content) in segments(jpeg) {
        // Quantisation, Huffman tables, frame, restart interval, scan; of the application segments JFIF's alone.
        let is_needed = matches!(marker, 0xdb | 0xc0 | 0xc4 | 0xdd | 0xda);
        assert!(
            is_needed || marker == 0xe0 && content.starts_with(b"JFIF\0") && content.len() == 14,
            "marker {marker:02x} with {} bytes",
            content.len()
        );
    }
    let found = jpeg.windows(CANARY.len()).any(|words| words == CANARY);
    assert!(!found, "words of the metadata are left");
}

/// TIFF 6.0, page 36, tag 274 (JEITA CP-3451, 4.6.4 A): which sides the first row and the first column of what is stored are
/// seen on.
#[actix_web::test]
async fn a_photograph_is_upright_however_the_camera_was_held() {
    const SEEN_ON: [(u16, &str, &str); 8] = [
        (1, "top", "left"),
        (2, "top", "right"),
        (3, "bottom", "right"),
        (4, "bottom", "left"),
        (5, "left", "top"),
        (6, "right", "top"),
        (7, "right", "bottom"),
        (8, "left", "bottom"),
    ];
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let upright = quarters(400, 240);
    for (orientation, row, column) in SEEN_ON {
        let lies = row == "left" || row == "right";
        let (width, height) = if lies { (240, 400) } else { (400, 240) };
        let stored = RgbImage::from_fn(width, height, |x, y| {
            let mut seen = (0, 0);
            for (side, n) in [(row, y), (column, x)] {
                match side {
                    "top" => seen.1 = n,
                    "bottom" => seen.1 = 239 - n,
                    "left" => seen.0 = n,
                    "right" => seen.0 = 399 - n,
                    _ => unreachable!("four sides"),
                }
            }
            *upright.get_pixel(seen.0, seen.1)
        });
        let made = shop
            .sends(engine, "image/jpeg", turned(&jpeg(stored), orientation))
            .await
            .created();
        let sizes = sizes(&made.body);
        let sides: Vec<_> = sizes.iter().map(|(w, h, _)| (*w, *h)).collect();
        assert_eq!(sides, [(320, 192), (400, 240)], "orientation {orientation}");
        for (width, height, url) in &sizes {
            let file = shop.file(url).await;
            is_bare(&file);
            let picture = read(&file);
            let pixels = (picture.width().into(), picture.height().into());
            assert_eq!(pixels, (*width, *height));
            let what = format!("orientation {orientation}, {width} wide");
            are_alike(corners(&picture), [RED, GREEN, BLUE, YELLOW], &what);
        }
    }
}

/// T.81 for what is left; Exif (JEITA CP-3451), XMP (ISO 16684-1) and COM segments, PNG text (W3C PNG, 11.3.3) for what goes.
#[actix_web::test]
async fn of_place_camera_and_words_nothing_is_left_in_any_file() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let app1 = [b"Exif\0\0".as_slice(), &exif(1)].concat();
    let xmp = [b"http://ns.adobe.com/xap/1.0/\0".as_slice(), CANARY].concat();
    let with_words = with_segments(
        &jpeg(quarters(1400, 700)),
        &[(0xe1, &app1), (0xe1, &xmp), (0xfe, CANARY)],
    );
    assert!(with_words.windows(CANARY.len()).any(|w| w == CANARY));
    let mut png = stored_as(ImageFormat::Png, quarters(1400, 700));
    let words = [b"Comment\0".as_slice(), CANARY].concat();
    let chunks = [chunk(b"tEXt", &words), chunk(b"eXIf", &exif(1))].concat();
    // Behind IHDR.
    png.splice(33..33, chunks);
    let mut trailing = jpeg(quarters(1400, 700));
    trailing.extend(b"PK\x03\x04 an archive <script> ");
    trailing.extend(CANARY);
    let webp = stored_as(ImageFormat::WebP, quarters(1400, 700));
    for (media_type, sent) in [
        ("image/jpeg", with_words),
        ("image/png", png),
        ("image/webp", webp),
        // Two types in one, and one that says another.
        ("image/jpeg", trailing),
        ("image/png", turned(&jpeg(quarters(1400, 700)), 1)),
    ] {
        let made = shop.sends(engine, media_type, sent).await.created();
        let sizes = sizes(&made.body);
        assert_eq!(sizes.len(), 4);
        for (_, _, url) in sizes {
            let file = shop.file(&url).await;
            is_bare(&file);
            are_alike(corners(&read(&file)), [RED, GREEN, BLUE, YELLOW], &url);
        }
    }
}

/// W3C PNG, 5.3 and annex D.
fn chunk(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let length = u32::try_from(content.len()).expect("short");
    let typed = [kind.as_slice(), content].concat();
    let mut crc = u32::MAX;
    for byte in &typed {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                0xedb8_8320 ^ (crc >> 1)
            } else {
                crc >> 1
            };
        }
    }
    [&length.to_be_bytes()[..], &typed, &(!crc).to_be_bytes()].concat()
}

/// Heights by hand: 2000/3000 of each width, to the nearest pixel.
#[actix_web::test]
async fn four_widths_are_made_and_none_is_larger_than_what_was_sent() {
    // Drawn first: that takes longer than a connection is kept open for.
    let largest = jpeg(quarters(3000, 2000));
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    for (width, height, wanted) in [
        (
            3000,
            2000,
            vec![(320, 213), (640, 427), (1280, 853), (2560, 1707)],
        ),
        (
            2560,
            100,
            vec![(320, 13), (640, 25), (1280, 50), (2560, 100)],
        ),
        (1000, 500, vec![(320, 160), (640, 320), (1000, 500)]),
        (320, 20, vec![(320, 20)]),
        (9, 30, vec![(9, 30)]),
        (2000, 1, vec![(320, 1), (640, 1), (1280, 1), (2000, 1)]),
    ] {
        let sent = if width == 3000 {
            largest.clone()
        } else {
            jpeg(quarters(width, height))
        };
        let made = shop.sends(engine, "image/jpeg", sent).await.created();
        let sizes = sizes(&made.body);
        let sides: Vec<_> = sizes.iter().map(|(w, h, _)| (*w, *h)).collect();
        assert_eq!(sides, wanted);
        for (width, height, url) in sizes {
            let picture = read(&shop.file(&url).await);
            assert_eq!(
                (picture.width().into(), picture.height().into()),
                (width, height)
            );
        }
    }
}

#[actix_web::test]
async fn what_is_seen_through_becomes_white_and_grey_stays_grey() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let clear = RgbaImage::from_pixel(50, 50, Rgba([0, 0, 0, 0]));
    let half = RgbaImage::from_pixel(50, 50, Rgba([0, 0, 0, 128]));
    let grey = image::GrayImage::from_pixel(50, 50, image::Luma([90]));
    let deep: image::ImageBuffer<Rgba<u16>, _> =
        image::ImageBuffer::from_pixel(50, 50, Rgba([0, 0, 0, 0]));
    let pictures: [(DynamicImage, u8); 4] = [
        (clear.into(), 255),
        (half.into(), 127),
        (grey.into(), 90),
        (deep.into(), 255),
    ];
    for (picture, wanted) in pictures {
        let sent = stored_as(ImageFormat::Png, picture);
        let made = shop.sends(engine, "image/png", sent).await.created();
        let (_, _, url) = &sizes(&made.body)[0];
        let seen = corners(&read(&shop.file(url).await));
        assert!(
            seen.iter().flatten().all(|part| part.abs_diff(wanted) <= 2),
            "{seen:?}, not {wanted}"
        );
    }
}

/// RFC 8246 (immutable); RFC 9110, 13.1.2.
#[actix_web::test]
async fn a_file_is_named_by_its_content_and_kept_for_ever() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let sent = jpeg(quarters(700, 300));
    let made = shop
        .sends(engine, "image/jpeg", sent.clone())
        .await
        .created();
    for (_, _, url) in sizes(&made.body) {
        let digest = format!("{:x}", Sha256::digest(shop.file(&url).await));
        assert_eq!(url, format!("/v1/public/photographs/{digest}.jpg"));
        let got = reqwest::get(format!("{}{url}", shop.url)).await;
        let headers = got.expect("an answer").headers().clone();
        for (name, wanted) in [
            ("cache-control", "public, max-age=31536000, immutable"),
            ("content-type", "image/jpeg"),
            ("x-content-type-options", "nosniff"),
            ("access-control-allow-origin", "*"),
        ] {
            assert_eq!(headers[name], wanted);
        }
        let again = shop
            .request(Method::GET, &url)
            .header("if-none-match", headers["etag"].to_str().expect("a tag"));
        assert_eq!(again.send().await.is(304).text, "");
    }
    let again = shop.sends(engine, "image/jpeg", sent).await.created();
    assert_eq!(sizes(&again.body), sizes(&made.body));
    assert_ne!(again.id(), made.id());
    let digest = "0".repeat(64);
    for name in [
        format!("{digest}.jpg"),
        digest.clone(),
        format!("{digest}.png"),
        "..%2f..%2fetc%2fpasswd".to_owned(),
        "%2e%2e".to_owned(),
        "x.jpg".to_owned(),
    ] {
        shop.request(Method::GET, &format!("/v1/public/photographs/{name}"))
            .send()
            .await
            .refused("not_found");
    }
}

#[actix_web::test]
async fn the_first_in_order_is_the_main_picture_and_every_change_is_journalled() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let list = shop.get(&address(engine)).await.ok();
    assert_eq!(list.body, json!({"items": []}));

    // The first picture sent becomes the main one.
    let mut ids = Vec::new();
    for width in [20, 21, 22] {
        let sent = jpeg(quarters(width, 20));
        let made = shop.sends(engine, "image/jpeg", sent).await.created();
        assert_eq!(made.body["main"], ids.is_empty());
        assert_eq!(made.location(), format!("/v1/photographs/{}", made.id()));
        let read = shop.get(&made.location()).await.ok();
        assert_eq!((&read.body, read.etag()), (&made.body, made.etag()));
        ids.push(made.id());
    }

    // A new order needs the current ETag and names every picture exactly once.
    let put = async |order: &Value, etag: Option<&str>| {
        let mut asked = shop
            .request(Method::PUT, &address(engine))
            .by(&shop, Role::Seller)
            .json(&json!({"order": order}));
        if let Some(etag) = etag {
            asked = asked.if_match(etag);
        }
        asked.send().await
    };
    let order = json!([ids[2], ids[0], ids[1]]);
    put(&order, None).await.refused("precondition_required");
    put(&order, Some(&list.etag()))
        .await
        .refused("precondition_failed");
    let etag = shop.get(&address(engine)).await.ok().etag();
    for wrong in [
        json!([ids[0], ids[1]]),
        json!([ids[0], ids[1], ids[1]]),
        json!([ids[0], ids[1], 999_999]),
        json!([ids[0], ids[1], ids[2], 999_999]),
    ] {
        put(&wrong, Some(&etag)).await.invalid_at("/order");
    }

    // The first in the new order becomes the main picture; the same order again changes nothing.
    let ordered = put(&order, Some(&etag)).await.ok();
    assert_eq!(shop.ids(engine).await, [ids[2], ids[0], ids[1]]);
    let mains: Vec<_> = ordered.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|it| it["main"] == true)
        .collect();
    assert_eq!(mains, [true, false, false]);
    put(&order, Some(&ordered.etag())).await.ok();

    // A picture is described and removed by itself, and the next in order takes over as the main one.
    let first = format!("/v1/photographs/{}", ids[2]);
    let described = shop.patch(&first, &json!({"alt": "From the left"})).await;
    assert_eq!(described.ok().body["alt"], "From the left");
    shop.patch(&first, &json!({"main": true}))
        .await
        .refused("invalid");
    shop.patch(&first, &json!({"public": null}))
        .await
        .invalid_at("/public");
    shop.removes(ids[2]).await.is(204);
    shop.get(&first).await.refused("not_found");
    let left = shop.get(&address(engine)).await.ok().body;
    assert_eq!(
        (&left["items"][0]["id"], &left["items"][0]["main"]),
        (&json!(ids[0]), &json!(true))
    );

    // The journal has each change once, and none for what was refused.
    let journal = shop.journal_of(engine).await;
    assert_eq!(
        journal[1..],
        [
            "photograph.created",
            "photograph.created",
            "photograph.created",
            "photographs.ordered",
            "photograph.changed",
            "photograph.removed"
        ]
    );
}

/// Plain reading, no source.
#[actix_web::test]
async fn visitors_see_the_public_and_described_and_staff_see_all() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let before = shop.ids(engine).await.len();

    // Three pictures are sent: one with a description, one made public, and one with both.
    let one = |width| jpeg(quarters(width, 20));
    let described = ("alt", b"From the left".as_slice());
    let mut ids = Vec::new();
    for parts in [
        vec![("photograph", one(20)), ("alt", b"The crack".to_vec())],
        vec![("photograph", one(21)), ("public", b"true".to_vec())],
        vec![
            ("alt", described.1.to_vec()),
            ("public", b"true".to_vec()),
            ("photograph", one(22)),
        ],
    ] {
        let parts: Vec<_> = parts.iter().map(|(n, c)| (*n, c.as_slice())).collect();
        ids.push(shop.sends_form(engine, &parts).await.created().id());
    }

    // Visitors see only the one that is both public and described.
    let public = format!("/v1/public/listings/{engine}");
    let seen = async || {
        let listing = shop.request(Method::GET, &public).send().await.ok();
        listing.body["photographs"]
            .as_array()
            .expect("photographs")
            .clone()
    };
    let shown = seen().await;
    assert_eq!(shown.len(), before + 1);
    let mut last = shown.last().expect("one").clone();
    assert_eq!(last["alt"], "From the left");
    let files = last["sizes"].take();
    assert_eq!(last, json!({"alt": "From the left", "sizes": null}));
    assert_eq!(files[0]["width"], 22);
    let list = shop
        .request(Method::GET, "/v1/public/listings")
        .send()
        .await
        .ok();
    assert_eq!(list.body["items"][0]["photograph"], shown[0]);

    // A description brings the second into view, and hiding it takes it out of view.
    let alt = json!({"alt": "From the right"});
    shop.patch(&format!("/v1/photographs/{}", ids[1]), &alt)
        .await
        .ok();
    assert_eq!(seen().await.len(), before + 2);
    let hidden = json!({"public": false});
    shop.patch(&format!("/v1/photographs/{}", ids[1]), &hidden)
        .await
        .ok();
    assert_eq!(seen().await.len(), before + 1);

    // Staff see all of them, where they ask for photographs.
    let own = format!("/v1/engines/{engine}");
    assert_eq!(
        shop.get(&own).await.ok().body.get("photographs"),
        None,
        "only where it is asked for"
    );
    for (path, at) in [
        (format!("{own}?include=photographs"), "/photographs"),
        (
            "/v1/engines?include=boiler,photographs".to_owned(),
            "/items/0/photographs",
        ),
    ] {
        let answer = shop.get(&path).await.ok().body;
        let all = answer.pointer(at).expect(at);
        assert_eq!(
            *all,
            shop.get(&address(engine)).await.ok().body["items"],
            "{path}"
        );
        assert_eq!(all.as_array().map(Vec::len), Some(before + 3));
    }
}

/// OWASP ASVS 5.0, 5.2.2 (type by content), 5.2.6 (size in pixels).
#[actix_web::test]
async fn what_is_no_picture_or_too_much_of_one_is_refused_and_leaves_nothing() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let small = jpeg(quarters(64, 48));
    let png = stored_as(ImageFormat::Png, quarters(64, 48));
    let journal = shop.journal().await;

    // The content decides what a file is, whatever media type it is sent with.
    for other in [
        b"GIF89a\x01\0\x01\0\0\0\0;".to_vec(),
        b"<svg xmlns='http://www.w3.org/2000/svg'/>".to_vec(),
        b"<!doctype html><script>1</script>".to_vec(),
        b"%PDF-1.7\n%%EOF".to_vec(),
        b"MZ\x90".to_vec(),
        Vec::new(),
        // Two types in one, of which the first is none that is taken.
        [b"GIF89a".as_slice(), &small].concat(),
        [b"%PDF-1.7\n".as_slice(), &small].concat(),
    ] {
        for media_type in ["image/jpeg", "image/png", "image/webp"] {
            shop.sends(engine, media_type, other.clone())
                .await
                .refused("unsupported_media_type")
                .is(415);
        }
        shop.sends_form(engine, &[("photograph", &other)])
            .await
            .refused("unsupported_media_type");
    }

    // A media type or an encoding that is not accepted is refused, even with a good picture.
    for media_type in ["image/svg+xml", "text/plain", "application/json"] {
        shop.sends(engine, media_type, small.clone())
            .await
            .refused("unsupported_media_type");
    }
    shop.request(Method::POST, &address(engine))
        .by(&shop, Role::Seller)
        .header("content-encoding", "gzip")
        .body("image/jpeg", small.clone())
        .send()
        .await
        .refused("unsupported_media_type");

    // A small file that claims to be vast is refused by the size in its header.
    let mut vast = png.clone();
    let header = [
        &50_000_u32.to_be_bytes()[..],
        &50_000_u32.to_be_bytes(),
        &png[24..29],
    ]
    .concat();
    vast.splice(8..33, chunk(b"IHDR", &header));
    let padding = chunk(b"tEXt", &vec![b' '; 100_000 - vast.len()]);
    vast.splice(33..33, padding);
    // SOF0: FF C0, length, precision, lines, samples a line (T.81, B.2.2).
    let mut vast_jpeg = small.clone();
    let frame = small
        .windows(2)
        .position(|two| two == [0xff, 0xc0])
        .expect("SOF0");
    for at in [frame + 5, frame + 7] {
        vast_jpeg[at..at + 2].copy_from_slice(&50_000_u16.to_be_bytes());
    }
    for (media_type, sent) in [("image/png", &vast), ("image/jpeg", &vast_jpeg)] {
        let refused = shop.sends(engine, media_type, sent.clone()).await;
        let refused = refused.invalid_at("");
        assert!(
            text(&refused.body["detail"]).contains("50000 x 50000 pixels"),
            "{}",
            refused.text
        );
    }
    shop.sends_form(engine, &[("photograph", &vast)])
        .await
        .invalid_at("/photograph");
    let wide = stored_as(ImageFormat::Png, RgbImage::new(16_384, 1));
    shop.sends(engine, "image/png", wide).await.invalid_at("");

    // Too many bytes are refused, by themselves and in a form.
    let mut large = small.clone();
    large.resize(25 * 1024 * 1024 + 1, 0);
    shop.sends(engine, "image/jpeg", large.clone())
        .await
        .refused("content_too_large")
        .is(413);
    shop.sends_form(engine, &[("photograph", &large)])
        .await
        .refused("content_too_large");

    // A form with a wrong, missing or repeated part is refused at that part.
    let long = "x".repeat(501);
    for (parts, at) in [
        (vec![("alt", b"x".as_slice())], "/photograph"),
        (vec![("photograph", &small[..]), ("alt", b" ")], "/alt"),
        (
            vec![("photograph", &small[..]), ("alt", long.as_bytes())],
            "/alt",
        ),
        (vec![("photograph", &small[..]), ("alt", b"\xff")], "/alt"),
        (
            vec![("photograph", &small[..]), ("public", b"maybe")],
            "/public",
        ),
        (
            vec![("photograph", &small[..]), ("photograph", &small[..])],
            "/photograph",
        ),
        (vec![("photograph", &small[..]), ("stock_no", b"1")], ""),
    ] {
        shop.sends_form(engine, &parts).await.invalid_at(at);
    }
    shop.sends(engine, "multipart/form-data; boundary=limit", small.clone())
        .await
        .refused("malformed");
    shop.sends(engine + 1, "image/jpeg", small)
        .await
        .refused("not_found");

    // Nothing is left of all this: no picture, no journal entry and no file.
    assert_eq!(shop.ids(engine).await, [0_i64; 0]);
    assert_eq!(shop.journal().await, journal);
    assert_eq!(shop.files(), 0);
}

/// Plain reading, no source: a decoder that fills what is missing with grey would let these in.
#[actix_web::test]
async fn a_file_cut_at_each_64th_is_refused() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let noise = RgbImage::from_fn(96, 64, |x, y| {
        let n = x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(40_503 << 7);
        let [a, b, c, _] = n.to_le_bytes();
        Rgb([a, b, c])
    });
    for (media_type, format) in [
        ("image/jpeg", ImageFormat::Jpeg),
        ("image/png", ImageFormat::Png),
        ("image/webp", ImageFormat::WebP),
    ] {
        let mut whole = stored_as(format, noise.clone());
        if format == ImageFormat::Jpeg {
            whole = turned(&whole, 6);
        }
        for part in 0..64 {
            let cut = whole[..whole.len() * part / 64].to_vec();
            let answer = shop.sends(engine, media_type, cut).await;
            assert!(
                matches!(answer.status, 415 | 422),
                "{media_type}, {part}/64: {}",
                answer.text
            );
        }
        let cut = whole[..whole.len() - 1].to_vec();
        shop.sends(engine, media_type, cut).await.invalid_at("");
        assert_eq!(shop.ids(engine).await.len(), 0);
        assert_eq!(shop.files(), 0);
    }
    let whole = stored_as(ImageFormat::Png, noise);
    shop.sends(engine, "image/png", whole).await.created();
}

#[actix_web::test]
async fn a_removed_photograph_takes_along_the_files_that_no_other_has() {
    let shop = Shop::open().await;
    let (one, other) = (
        shop.has(make::engine()).await,
        shop.has(make::engine()).await,
    );
    let sent = jpeg(quarters(700, 300));
    let first = shop.sends(one, "image/jpeg", sent.clone()).await.created();
    let second = shop.sends(other, "image/jpeg", sent).await.created();
    assert_eq!(shop.files(), 3);
    let (_, _, url) = sizes(&first.body).remove(0);

    let path = first.location();
    shop.request(Method::DELETE, &path)
        .by(&shop, Role::Seller)
        .send()
        .await
        .refused("precondition_required");
    shop.removes(first.id()).await.is(204);
    assert_eq!(shop.files(), 3, "the other engine's photograph has them");
    shop.file(&url).await;
    assert_eq!(shop.ids(other).await, [second.id()]);

    shop.removes(second.id()).await.is(204);
    assert_eq!(shop.files(), 0);
    let gone = shop.request(Method::GET, &url).send().await;
    gone.refused("not_found");
}

#[actix_web::test]
async fn a_repeated_upload_is_done_once() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let send = async |width: u32| {
        shop.request(Method::POST, &address(engine))
            .by(&shop, Role::Fitter)
            .header("idempotency-key", "camera-1")
            .body("image/jpeg", jpeg(quarters(width, 30)))
            .send()
            .await
    };
    let first = send(40).await.created();
    assert_eq!(send(40).await.created().body, first.body);
    send(41).await.refused("idempotency_key_reused");
    assert_eq!(shop.ids(engine).await, [first.id()]);
    assert_eq!(shop.files(), 1, "what the refused one had written is gone");
    shop.removes(first.id()).await.is(204);
    send(40).await.created();
    assert_eq!(shop.files(), 0, "nothing is done again, so nothing is left");
}

#[actix_web::test]
async fn an_engine_has_at_most_forty_photographs() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    for _ in 0..40 {
        let sent = jpeg(quarters(10, 10));
        shop.sends(engine, "image/jpeg", sent).await.created();
    }
    let one_more = jpeg(quarters(11, 10));
    shop.sends(engine, "image/jpeg", one_more)
        .await
        .refused("conflict");
    assert_eq!((shop.ids(engine).await.len(), shop.files()), (40, 1));
}

#[actix_web::test]
async fn uploads_at_once_keep_each_its_place() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let sends = (0..12).map(|n| shop.sends(engine, "image/jpeg", jpeg(quarters(900, 300 + n % 3))));
    for answer in futures_util::future::join_all(sends).await {
        answer.created();
    }
    let mut ids = shop.ids(engine).await;
    assert_eq!((ids.len(), shop.files()), (12, 9));
    // Removed and sent anew at once: no photograph ends without its files.
    let removed = ids.split_off(6);
    let removing = removed.iter().map(|id| shop.removes(*id));
    let sending =
        (0..6).map(|n| shop.sends(engine, "image/jpeg", jpeg(quarters(900, 300 + n % 3))));
    let (removed, sent) = tokio::join!(
        futures_util::future::join_all(removing),
        futures_util::future::join_all(sending)
    );
    removed.into_iter().for_each(|answer| drop(answer.is(204)));
    for answer in sent {
        for (_, _, url) in sizes(&answer.created().body) {
            shop.file(&url).await;
        }
    }
}

#[actix_web::test]
async fn files_that_an_upload_left_behind_are_swept_after_a_day() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let sent = jpeg(quarters(700, 300));
    shop.sends(engine, "image/jpeg", sent).await.created();
    let left = format!("{}.jpg", "a".repeat(64));
    let left = shop.photographs.path().join(left);
    std::fs::write(&left, b"left").expect("a file");
    let now = jiff::Timestamp::now();
    let swept = async |hours| {
        let then = now + jiff::SignedDuration::from_hours(hours);
        photographs::sweep(&shop.db, &shop.store, then)
            .await
            .expect("a sweep")
    };
    assert_eq!((swept(23).await, shop.files()), (0, 4));
    assert_eq!((swept(25).await, shop.files()), (1, 3));
    assert!(!left.exists());
}

/// As S3 is reached: through the same interface of the object store, here one in memory.
#[actix_web::test]
async fn another_store_than_a_folder_serves_as_well() {
    let files = std::sync::Arc::new(object_store::memory::InMemory::new());
    let shop = Shop::open_over(photographs::Store::over(files)).await;
    let engine = shop.has(make::engine()).await;
    let sent = jpeg(quarters(700, 300));
    let made = shop.sends(engine, "image/jpeg", sent).await.created();
    for (_, _, url) in sizes(&made.body) {
        is_bare(&shop.file(&url).await);
    }
    shop.removes(made.id()).await.is(204);
    assert_eq!(shop.files(), 0);
    let (_, _, url) = sizes(&made.body).remove(0);
    let gone = shop.request(Method::GET, &url).send().await;
    gone.refused("not_found");
}

/// Plain reading, no source. 12 megapixels take 36 MB decoded.
#[actix_web::test]
async fn twelve_megapixels_are_taken_and_other_requests_go_on_meanwhile() {
    let mut sent = Vec::new();
    JpegEncoder::new_with_quality(&mut sent, 90)
        .write_image(&quarters(4000, 3000), 4000, 3000, ExtendedColorType::Rgb8)
        .expect("a JPEG");
    let sent = turned(&sent, 6);
    // After the drawing, which takes longer than a connection is kept open for.
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let upload = shop.sends(engine, "image/jpeg", sent);
    let meanwhile = async {
        let mut answered = 0;
        while answered < 20 {
            shop.get("/v1/units").await.ok();
            answered += 1;
        }
        answered
    };
    let (made, answered) = tokio::join!(upload, meanwhile);
    assert_eq!(answered, 20);
    let sides: Vec<_> = sizes(&made.created().body)
        .iter()
        .map(|(w, h, _)| (*w, *h))
        .collect();
    assert_eq!(sides, [(320, 427), (640, 853), (1280, 1707), (2560, 3413)]);
}

/// Plain reading, no source.
#[actix_web::test]
async fn from_the_first_photograph_on_an_engine_is_listed_with_described_ones() {
    let shop = Shop::open().await;
    let engine = shop.has_all_but_photographs(make::engine()).await;
    shop.has_drafted(engine, &make::listing()).await;
    let check = async || {
        let path = format!("/v1/engines/{engine}/readiness?gate=list");
        let answer = shop.get(&path).await.ok().body;
        let checks = answer["checks"].as_array().expect("checks").clone();
        let found = checks
            .into_iter()
            .find(|check| check["check"] == "photographs");
        found.map(|check| (text(&check["outcome"]), text(&check["reason"])))
    };
    let told = |outcome: &str, reason: &str| Some((outcome.to_owned(), reason.to_owned()));
    let sent = jpeg(quarters(20, 20));
    let none = "No photograph that visitors may see is on record.";
    assert_eq!(check().await, told("unmet", none));
    let publish = format!("/v1/engines/{engine}/listing/publications");
    let refused = shop.post(&publish, &json!({})).await.refused("not_ready");
    assert_eq!(refused.body["reasons"][0]["check"], "photographs");
    let parts = [("photograph", sent.as_slice()), ("public", b"true")];
    let added = shop.sends_form(engine, &parts).await.created();
    let part = "0 of 1 photographs have a description.";
    assert_eq!(check().await, told("unmet", part));
    shop.patch(&added.location(), &json!({"alt": "From the left"}))
        .await
        .ok();
    let all = "1 of 1 photographs have a description.";
    assert_eq!(check().await, told("met", all));
    shop.post(&publish, &json!({})).await.created();
}
