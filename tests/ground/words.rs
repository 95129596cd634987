//! Expressions that no comment, description, refusal, sheet, page or document of the project uses, each with what to write instead.

use std::{
    fs,
    path::{Path, PathBuf},
};

/// In small letters. Words are whole words: `he` is not found in `the`.
const INSTEAD: &[(&str, &str)] = &[
    // Persons
    ("whom", "name the person: the buyer, the owner, the fitter"),
    ("who asks", "the client; chased by"),
    ("nobody asks", "not being chased"),
    ("he", "they"),
    ("him", "them"),
    ("his", "their"),
    // What is said of something
    ("told of", "notified of, listed, reported"),
    ("told with", "reported with, returned with"),
    ("tell of", "say, list, report"),
    ("tells of", "says, lists, reports"),
    ("that are told", "that are listed, that are notified"),
    ("there are told", "lists"),
    ("tellings", "notifications"),
    ("by the records", "our records show"),
    ("by all that is on record", "given everything on record"),
    ("it is not so that", "not"),
    ("so long", "as long as; for a named time, such as a timeout"),
    ("by so much", "by this amount; increase in .."),
    // Time
    ("whose moment", "that has expired, that is due"),
    ("moment has come", "has expired, is due"),
    ("past its moment", "expired"),
    // Comparing
    ("held against", "compared with, checked against"),
    ("which holds", "that has, that contains"),
    // Certificates
    ("there hold", "the valid certificates are"),
    ("paper holds", "certificate is valid"),
    ("papers hold", "certificates are valid"),
    ("paper that holds", "valid certificate"),
    ("papers that hold", "valid certificates"),
    ("no longer hold", "are void, are no longer valid"),
    ("no longer holds", "is void, is no longer valid"),
    ("hold no more", "are no longer valid"),
    ("holds no more", "is no longer valid"),
    // The books
    (
        "stand in the books",
        "have a carrying amount; are in the stock book",
    ),
    (
        "stands in the books",
        "has a carrying amount; is in the stock book",
    ),
    (
        "stood in the books",
        "had a carrying amount; was in the stock book",
    ),
    // What is included
    ("goes with it", "is included"),
    ("go with it", "are included"),
    ("went with it", "was handed over with it"),
    ("what went with", "the items handed over with"),
    // Work
    ("taken in hand", "started"),
    ("takes it in hand", "starts it"),
    ("goes on next week", "continues next week"),
    // Names that were replaced
    ("appraisal", "buying valuation"),
    ("the guide", "the price scale"),
    ("guide version", "version of the price scale"),
    ("handover notes", "owner notes"),
    ("hour estimates", "hours accuracy"),
    ("kept stock value", "closing stock"),
    ("last days of the law", "statutory deadlines"),
    ("penny days", "income delay"),
    ("preparation item", "checklist item"),
    ("preparation items", "checklist items"),
    ("preparation list", "despatch checklist"),
    ("readiness bars", "gate settings"),
    ("sale terms", "statutory periods"),
    ("terms of the law of sale", "statutory periods"),
    ("test terms", "test costs"),
    ("worth of a job", "value added of a job"),
    ("worth of each job", "value added of each job"),
    ("worth of work", "work options"),
];

/// Folders with sources and texts; what is generated or belongs to others lies in `SKIPPED` ones.
const FOLDERS: &[&str] = &["api", "core", "demo-data/shop-page", "migrations", "tests"];
const SKIPPED: &[&str] = &["broken", "made", "node_modules", "target"];
const ENDINGS: &[&str] = &["html", "js", "md", "rs", "sql"];
/// schema.rs repeats the comments of the migrations, and the table above stands in this file.
const SKIPPED_FILES: &[&str] = &["schema.rs", "words.rs"];
const DOCUMENTS: &[&str] = &[
    "DEVELOPERS.md",
    "README.md",
    "demo-data/README.md",
    "openapi/README.md",
    "openapi/outshop.json",
];

fn collect(folder: &Path, found: &mut Vec<PathBuf>) {
    for item in fs::read_dir(folder).expect("a folder") {
        let path = item.expect("an item").path();
        let name = path.file_name().expect("a name").to_string_lossy();
        let ending = path.extension().unwrap_or_default().to_string_lossy();
        if path.is_dir() {
            if !SKIPPED.contains(&&*name) {
                collect(&path, found);
            }
        } else if ENDINGS.contains(&&*ending) && !SKIPPED_FILES.contains(&&*name) {
            found.push(path);
        }
    }
}

/// The words of a text in small letters with one blank after each, and for every word where it begins and its line. Marks of
/// comments and of continued strings are left out, so that a sentence goes on over the end of a line.
fn flowing(text: &str) -> (String, Vec<(usize, usize)>) {
    let (mut flow, mut begins) = (String::new(), Vec::new());
    for (before, line) in text.lines().enumerate() {
        let line = line.replace("\\n", " ").to_lowercase();
        for word in line.split_whitespace() {
            if ["///", "//!", "//", "--", "#", "*", ">", "\\"].contains(&word) {
                continue;
            }
            begins.push((flow.len(), before + 1));
            flow.push_str(word);
            flow.push(' ');
        }
    }
    (flow, begins)
}

/// The lines on which an expression begins.
fn lines_with(expression: &str, flow: &str, begins: &[(usize, usize)]) -> Vec<usize> {
    let in_word = |c: char| c.is_alphanumeric() || c == '_';
    let mut lines = Vec::new();
    for (at, _) in flow.match_indices(expression) {
        let begins_inside = flow[..at].ends_with(in_word);
        let goes_on = flow[at + expression.len()..].starts_with(in_word);
        if begins_inside || (expression.ends_with(in_word) && goes_on) {
            continue;
        }
        let word = begins.iter().rev().find(|(begin, _)| *begin <= at);
        lines.extend(word.map(|(_, line)| *line));
    }
    lines
}

#[test]
fn no_sentence_uses_an_expression_that_has_a_plainer_one() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let mut paths: Vec<PathBuf> = DOCUMENTS.iter().map(|name| root.join(name)).collect();
    for folder in FOLDERS {
        collect(&root.join(folder), &mut paths);
    }
    assert!(paths.len() > 300, "only {} files were found", paths.len());
    paths.sort();
    let mut found = Vec::new();
    for path in &paths {
        let text = fs::read_to_string(path).expect("text");
        let (flow, begins) = flowing(&text);
        let name = path.strip_prefix(&root).expect("inside").display();
        for (expression, instead) in INSTEAD {
            for line in lines_with(expression, &flow, &begins) {
                found.push(format!("{name}:{line}: `{expression}`: write: {instead}"));
            }
        }
    }
    assert!(
        found.is_empty(),
        "{} expressions have a plainer one:\n{}",
        found.len(),
        found.join("\n")
    );
}

#[test]
fn an_expression_is_found_as_whole_words_and_over_the_end_of_a_line() {
    let text = "/// The price is Held\n/// against another.\n// withheld against, held againsts\n\"so\\nlong\"\n";
    let (flow, begins) = flowing(text);
    assert_eq!(lines_with("held against", &flow, &begins), [1]);
    assert_eq!(lines_with("so long", &flow, &begins), [4]);
    let (flow, begins) = flowing("one is told of all\nold::<T>(the)\n");
    assert_eq!(lines_with("told of", &flow, &begins), [1]);
    assert_eq!(lines_with("he", &flow, &begins), [0_usize; 0]);
}
