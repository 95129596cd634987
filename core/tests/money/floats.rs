//! No floating point where money is calculated: reads every source file of core and api.

use std::{
    fs::File,
    io::Read,
    path::{Path, PathBuf},
};

/// Files that may use floats, each with the reason. All others are money paths.
const EXEMPT: &[(&str, &str)] = &[
    (
        "core/src/pricing/valuation",
        "statistics on logarithms; its prices are rounded to amounts at its edge",
    ),
    ("core/src/pricing/ratios", "statistics on ratios of prices"),
    (
        "core/src/pricing/price_scale.rs",
        "shares out an exact difference of prices by logarithms; the parts are whole pennies that add up",
    ),
    ("api/src/service/metrics.rs", "seconds"),
    (
        "api/src/ground/strict_json.rs",
        "numbers of JSON as they come: an amount is a string, and a number in its place is refused",
    ),
    ("api/src/pricing/valuations", "chances and other statistics"),
    (
        "api/src/pricing/track_record",
        "statistics on ratios of prices",
    ),
];

/// Files that every amount depends on, which must never become exempt.
const NEVER_EXEMPT: &[&str] = &[
    "core/src/money.rs",
    "core/src/books/costs.rs",
    "core/src/books/costs/ledger.rs",
    "core/src/books/costs/double_entry.rs",
    "core/src/books/costs/stock_book.rs",
    "core/src/books/tax.rs",
    "core/src/books/tax/cash.rs",
    "core/src/books/tax/rules.rs",
    "core/src/workshop/jobs.rs",
    "api/src/books/accounts_entries.rs",
    "api/src/buying/acquisitions.rs",
    "api/src/pricing/asking_prices.rs",
    "api/src/selling/payments.rs",
    "api/src/selling/sales.rs",
    "api/src/books/stock_book.rs",
    "api/src/pricing/closing_stock.rs",
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for item in folder.read_dir().expect("a folder") {
        let path = item.expect("an item").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

fn has_floats(text: &str) -> bool {
    let word = |c: char| c.is_alphanumeric() || c == '_';
    text.lines()
        .map(|line| line.split("//").next().unwrap_or_default())
        .flat_map(|code| code.split(|c| !word(c)))
        .any(|word| {
            let number = word.starts_with(|c: char| c.is_ascii_digit());
            let names_a_float = ["f32", "f64"]
                .iter()
                .any(|float| word == *float || word.split('_').any(|part| part == *float));
            names_a_float || number && (word.ends_with("f32") || word.ends_with("f64"))
        })
}

#[test]
fn no_money_path_has_floating_point() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .expect("the workspace");
    let mut found = Vec::new();
    sources(&root.join("core/src"), &mut found);
    sources(&root.join("api/src"), &mut found);
    let (mut scanned, mut with_floats) = (Vec::new(), Vec::new());
    for path in found {
        let name = path
            .strip_prefix(root)
            .expect("below the root")
            .to_string_lossy()
            .replace('\\', "/");
        if EXEMPT.iter().any(|(exempt, _)| name.starts_with(exempt)) {
            continue;
        }
        let mut text = String::new();
        File::open(&path)
            .expect("a file")
            .read_to_string(&mut text)
            .expect("text");
        if has_floats(&text) {
            with_floats.push(name.clone());
        }
        scanned.push(name);
    }
    assert_eq!(with_floats, [""; 0], "floats lose pennies");
    for name in NEVER_EXEMPT {
        assert!(
            scanned.iter().any(|scanned| scanned == name),
            "{name} was not read"
        );
    }
}

#[test]
fn the_scan_sees_floats() {
    for bad in [
        "let x: f64 = y;",
        "a as f32",
        "2f64",
        "1_f32",
        "rate.to_f64()",
        "Decimal::from_f64_retain(x)",
        "as_secs_f64",
    ] {
        assert!(has_floats(bad), "{bad}");
    }
    for good in ["// an f64 would lose pennies", "let half = 5;", "buf64ish"] {
        assert!(!has_floats(good), "{good}");
    }
}
