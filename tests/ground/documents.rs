//! Links of DEVELOPERS.md to functions: each leads to the line where the function begins. `UPDATE=1` writes the lines anew.

use std::{fs, path::Path};

/// Line of the first item of this name, from 1.
fn line_of(name: &str, source: &str) -> Option<usize> {
    let begins = |line: &str| {
        let item = ["pub(crate) ", "pub ", "const ", "async "]
            .iter()
            .fold(line.trim_start(), |rest, word| {
                rest.strip_prefix(word).unwrap_or(rest)
            });
        let named = |kind: &str, next: &str| {
            let after = item.strip_prefix(kind).and_then(|it| it.strip_prefix(name));
            after.is_some_and(|after| after.starts_with(|c| next.contains(c)))
        };
        // A role has no word before its name.
        let role = name.starts_with(char::is_uppercase) && named("", ":");
        named("fn ", "(<") || named("struct ", " (<;") || named("type ", " <") || role
    };
    source.lines().position(begins).map(|before| before + 1)
}

/// The text with the line that each link to a function should have.
fn with_lines(text: &str, root: &Path) -> String {
    let (mut fresh, mut rest) = (String::new(), text);
    while let Some(at) = rest.find("#L") {
        let (before, after) = rest.split_at(at + 2);
        let (words, file) = before.rsplit_once("](").expect("a link");
        let (_, name) = words.rsplit_once("[`").expect("a name as code");
        let name = name.trim_end_matches('`');
        let (file, name) = (
            file.trim_end_matches("#L"),
            name.rsplit("::").next().unwrap_or(name),
        );
        let source = fs::read_to_string(root.join(file)).unwrap_or_else(|e| panic!("{file}: {e}"));
        let line = line_of(name, &source);
        let line = line.unwrap_or_else(|| panic!("{file} has no `{name}`"));
        fresh += &format!("{before}{line}");
        rest = after.trim_start_matches(|c: char| c.is_ascii_digit());
    }
    fresh + rest
}

#[test]
fn each_link_to_a_function_leads_to_its_line() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let path = root.join("DEVELOPERS.md");
    let now = fs::read_to_string(&path).expect("DEVELOPERS.md");
    let fresh = with_lines(&now, &root);
    if std::env::var_os("UPDATE").is_some() {
        fs::write(&path, fresh).expect("the file can be written");
    } else {
        assert!(
            now == fresh,
            "lines in DEVELOPERS.md are stale: UPDATE=1 cargo test -p outshop-tests documents"
        );
    }
}

#[test]
fn a_function_is_found_by_its_whole_name() {
    let source = "use x::lock;\nlock(conn);\nfn lock_named() {}\n    pub(crate) async fn lock<T>(\n    Lock: Proprietor;\n";
    assert_eq!(line_of("lock", source), Some(4));
    assert_eq!(line_of("Lock", source), Some(5));
    assert_eq!(line_of("named", source), None);
}
