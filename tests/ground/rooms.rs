//! The house: a room uses rooms on lower floors only, files and rooms stay small enough to be read, what types say is not written
//! again, and long tests have chapters. The table here is the figure of README.md and DEVELOPERS.md.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

/// From the top. `core`, schema.rs and the crates for pictures and for operations lie below all, lib.rs and main.rs above all.
const FLOORS: &[&[(&str, &str)]] = &[
    &[("demo", "the invented firm, through the service as a whole")],
    &[("desk", "what reaches over all rooms: erasures, backups")],
    &[
        ("buying", "acquisitions, and what may be paid"),
        ("shop", "what visitors and buyers read"),
    ],
    &[
        ("selling", "from the sale to what comes after it"),
        ("planning", "plans, and which jobs pay"),
    ],
    &[(
        "enquiring",
        "enquiries, listings, offers, promises, reservations",
    )],
    &[
        ("pricing", "valuations and margins"),
        ("notifying", "the journal, webhooks, midnight"),
    ],
    &[
        ("workshop", "jobs, fitters, readiness"),
        ("service", "what a process needs to run"),
    ],
    &[("engines", "facts, surveys, photographs")],
    &[
        ("boilers", "codes, tests, certificates"),
        ("books", "costs, taxes, accounts"),
    ],
    &[
        ("firm", "the firm, keys, persons"),
        ("stock", "one engine, as the acts of the trade ask for it"),
    ],
    &[("ground", "what every resource stands on")],
];

fn floor_of(room: &str) -> Option<usize> {
    FLOORS
        .iter()
        .rev()
        .position(|rooms| rooms.iter().any(|(name, _)| *name == room))
}

pub(super) fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../api/src")
}

/// The Rust files of a folder and of those below it.
pub(super) fn below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for item in fs::read_dir(folder).expect("a folder") {
        let path = item.expect("an item").path();
        if path.is_dir() {
            found.extend(below(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found
}

/// Every file with its room.
fn files() -> Vec<(String, PathBuf)> {
    let root = source();
    let with_room = below(&root).into_iter().map(|path| {
        let inside = path.strip_prefix(&root).expect("inside");
        let room = inside.iter().next().expect("a name").to_string_lossy();
        (room.trim_end_matches(".rs").to_owned(), path)
    });
    with_room
        .filter(|(room, _)| !["lib", "main", "schema"].contains(&&**room))
        .collect()
}

/// First names after `crate::`, in paths and in trees of uses.
fn rooms_used(text: &str) -> BTreeSet<String> {
    let name = |text: &str| -> String {
        let letters = text.chars();
        letters
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect()
    };
    let mut used = BTreeSet::new();
    for after in text.split("crate::").skip(1) {
        let Some(tree) = after.strip_prefix('{') else {
            used.insert(name(after));
            continue;
        };
        let mut depth = 0;
        let mut item = String::new();
        for c in tree.chars() {
            match c {
                '{' => depth += 1,
                '}' if depth == 0 => break,
                '}' => depth -= 1,
                ',' if depth == 0 => {
                    used.insert(name(item.trim()));
                    item.clear();
                    continue;
                }
                _ => {}
            }
            item.push(c);
        }
        used.insert(name(item.trim()));
    }
    // A comma may stand behind the last one.
    used.remove("");
    used
}

#[test]
fn a_room_uses_rooms_on_lower_floors_only() {
    let mut wrong = Vec::new();
    for (room, path) in files() {
        let floor = floor_of(&room)
            .unwrap_or_else(|| panic!("{} stands in no room of the table", path.display()));
        let text = fs::read_to_string(&path).expect("text");
        for used in rooms_used(&text) {
            if used != room && floor_of(&used).is_some_and(|below| below >= floor) {
                wrong.push(format!("{} uses {used}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn names_after_crate_are_found_in_paths_and_trees() {
    let text =
        "use crate::{\n    a::{b, c::{d}},\n    e,\n};\nuse crate::f::g;\nlet h = crate::i::j();";
    let used = rooms_used(text).into_iter();
    assert_eq!(used.collect::<Vec<_>>(), ["a", "e", "f", "i"]);
}

#[test]
fn the_figure_is_the_table() {
    let mut figure = String::from("```\n");
    for (n, rooms) in FLOORS.iter().enumerate() {
        for (i, (room, about)) in rooms.iter().enumerate() {
            let floor = if i == 0 {
                (FLOORS.len() - n).to_string()
            } else {
                String::new()
            };
            figure += &format!("{floor:>2}  {room:<10} {about}\n");
        }
    }
    figure += "```\n";
    for file in ["README.md", "DEVELOPERS.md"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(file);
        let text = fs::read_to_string(&path).expect(file);
        let (before, rest) = text.split_once("<!-- rooms -->\n").expect("a mark");
        let (now, after) = rest.split_once("<!-- /rooms -->").expect("a mark");
        if std::env::var_os("UPDATE").is_some() {
            let new = format!("{before}<!-- rooms -->\n{figure}<!-- /rooms -->{after}");
            fs::write(&path, new).expect("the file can be written");
        } else {
            assert!(
                now == figure,
                "the figure in {file} is stale: UPDATE=1 cargo test -p outshop-tests rooms"
            );
        }
    }
}

/// What a reader takes in at once. Whose file grows past it finds two subjects in it, and gives one a file of its own.
const MOST_LINES: usize = 700;
const MOST_FILES: usize = 15;

#[test]
fn no_file_has_over_700_lines() {
    let core = source().join("../../core/src");
    // Written by Diesel, a table after another.
    let written = source().join("schema.rs");
    let files = below(&source()).into_iter().chain(below(&core));
    let long: Vec<String> = files
        .filter(|path| *path != written)
        .filter_map(|path| {
            let lines = fs::read_to_string(&path).expect("text").lines().count();
            (lines > MOST_LINES).then(|| format!("{}: {lines} lines", path.display()))
        })
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn no_room_has_over_15_files() {
    let mut rooms = BTreeMap::<String, usize>::new();
    for (room, _) in files() {
        *rooms.entry(room).or_default() += 1;
    }
    rooms.retain(|_, files| *files > MOST_FILES);
    assert!(rooms.is_empty(), "{rooms:?}");
}

/// Lines of attributes, from `#[` to its end.
fn attribute_lines(text: &str) -> usize {
    let (mut lines, mut open, mut in_words) = (0, 0_usize, false);
    for line in text.lines() {
        if open == 0 && !line.trim_start().starts_with("#[") {
            continue;
        }
        lines += 1;
        let mut letters = line.chars();
        while let Some(letter) = letters.next() {
            match letter {
                '\\' if in_words => {
                    letters.next();
                }
                '"' => in_words = !in_words,
                '[' if !in_words => open += 1,
                ']' if !in_words => open -= 1,
                _ => {}
            }
        }
    }
    lines
}

#[test]
fn lines_of_attributes_are_counted_to_their_end() {
    let text = "#[a(b = \"]\\\"[\",\n    c = [1])]\nfn d(e: [u8; 2]) {\n    #[f] let g;\n}\n";
    assert_eq!(attribute_lines(text), 3);
}

/// What an operation says follows from its types; what is left to say by hand grows with the code, and no faster.
#[test]
fn less_than_8_of_100_lines_are_attributes() {
    let texts = files()
        .into_iter()
        .map(|(_, path)| fs::read_to_string(path).expect("text"))
        .filter(|text| text.contains("use outshop_operation::"));
    let counted = texts.map(|text| (attribute_lines(&text), text.lines().count()));
    let (attributes, all) = counted.fold((0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
    assert!(all > 20_000, "only {all} lines were found");
    assert!(
        attributes * 100 < all * 8,
        "{attributes} of {all} lines are attributes"
    );
}

/// Names of the tests of over 70 lines that have fewer than two chapters: comments on lines of their own.
fn without_chapters(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let attribute = line.trim();
        if !["#[test]", "#[actix_web::test]"].contains(&attribute) {
            continue;
        }
        // A function is closed where its attribute begins.
        let end = line.replace(attribute, "}");
        let from = lines.by_ref().skip_while(|line| !line.contains("fn "));
        let test: Vec<&str> = from
            .take_while(|line| *line != end)
            .map(str::trim)
            .collect();
        // The closing line is not in `test`.
        let is_long = test.len() + 1 > 70;
        let is_comment = |line: &str| line.starts_with("//");
        let chapters = test
            .windows(2)
            .filter(|two| is_comment(two[1]) && !is_comment(two[0]));
        if is_long && chapters.count() < 2 {
            let name = test[0].split("fn ").nth(1).expect("a name");
            let name = name.split('(').next().expect("a name");
            found.push(name.to_owned());
        }
    }
    found
}

#[test]
fn chapters_of_long_tests_are_counted() {
    let test = |lines: usize, chapters: usize| {
        let chapter = "\n    // What is shown,\n    // and why.\n    a();\n".repeat(chapters);
        let rest = "    a();\n".repeat(lines - 2 - 4 * chapters);
        format!("    #[test]\n    fn b() {{\n{rest}{chapter}    }}\n")
    };
    assert_eq!(without_chapters(&test(70, 1)), [""; 0]);
    assert_eq!(without_chapters(&test(71, 1)), ["b"]);
    assert_eq!(without_chapters(&test(71, 2)), [""; 0]);
    let several = test(71, 2) + &test(71, 0) + &test(3, 0);
    assert_eq!(without_chapters(&several), ["b"]);
}

/// A long test says what each stretch shows, so that its reader does not have to work it out.
#[test]
fn no_long_test_is_without_chapters() {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR"));
    let paths = [below(tests), below(&tests.join("../core/tests"))].concat();
    assert!(paths.len() > 50, "only {} files were found", paths.len());
    let mut wrong = Vec::new();
    for path in paths {
        let text = fs::read_to_string(&path).expect("text");
        for name in without_chapters(&text) {
            wrong.push(format!("{}: {name}", path.display()));
        }
    }
    assert!(
        wrong.is_empty(),
        "over 70 lines; say in two comments or more what each stretch shows:\n{}",
        wrong.join("\n")
    );
}
