//! What is written several times: runs of lines of the same shape in two places, which one function or type could say once.

use super::rooms::{below, source};
use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::PathBuf,
};

/// From so many lines on two places that look alike are a pair.
const RUN: usize = 6;
/// What looks alike in more places is how the language or the house is written, such as the arguments of a handler.
const PLACES: usize = 8;

/// Words of the language, which a shape keeps.
const WORDS: &[&str] = &[
    "as", "async", "await", "break", "const", "continue", "dyn", "else", "enum", "fn", "for", "if",
    "impl", "in", "let", "loop", "match", "mod", "move", "mut", "pub", "return", "self", "static",
    "struct", "trait", "type", "where", "while",
];

/// A line with its names, texts and numbers folded.
fn shape(line: &str) -> String {
    let mut shape = String::new();
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        let mut word = String::from(letter);
        let goes_on = |c: &char| c.is_alphanumeric() || *c == '_';
        match letter {
            ' ' => continue,
            '/' if letters.peek() == Some(&'/') => break,
            '"' => {
                while let Some(inside) = letters.next().filter(|c| *c != '"') {
                    if inside == '\\' {
                        letters.next();
                    }
                }
                word = "\"\"".to_owned();
            }
            _ if goes_on(&letter) => {
                while let Some(next) = letters.next_if(goes_on) {
                    word.push(next);
                }
                if letter.is_ascii_digit() {
                    word = "0".to_owned();
                } else if !WORDS.contains(&&*word) {
                    word = "a".to_owned();
                }
            }
            _ => {
                shape.push(letter);
                continue;
            }
        }
        // Two words in a row are two.
        if shape.ends_with(|c: char| c.is_alphanumeric()) {
            shape.push(' ');
        }
        shape.push_str(&word);
    }
    shape
}

/// The lines that say something, each with its number: no attributes, uses, comments and lone punctuation.
fn shapes(text: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    let (mut in_use, mut in_attribute) = (false, 0_isize);
    for (at, line) in text.lines().enumerate() {
        let line = line.trim();
        in_use |= line.starts_with("use ") || line.starts_with("pub use ");
        if in_use {
            in_use = !line.ends_with(';');
            continue;
        }
        let shape = shape(line);
        if in_attribute > 0 || shape.starts_with("#[") || shape.starts_with("#![") {
            let count = |wanted| shape.matches(wanted).count().cast_signed();
            in_attribute += count('[') - count(']');
            continue;
        }
        if shape.contains(|c: char| c.is_alphanumeric() || c == '"') {
            found.push((at + 1, shape));
        }
    }
    found
}

/// Two places that look alike for so many lines.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Pair {
    lines: usize,
    one: Place,
    other: Place,
}

/// A file, and the number of a line among those that say something.
type Place = (usize, usize);

/// The pairs of places that share a run, each with the whole of what it shares.
fn pairs(files: &[Vec<(usize, String)>]) -> BTreeSet<Pair> {
    let mut places = BTreeMap::<Vec<&str>, Vec<Place>>::new();
    for (file, lines) in files.iter().enumerate() {
        for (at, run) in lines.windows(RUN).enumerate() {
            let run = run.iter().map(|(_, shape)| shape.as_str()).collect();
            places.entry(run).or_default().push((file, at));
        }
    }
    let line = |(file, at): Place| files[file].get(at).map(|(_, shape)| shape);
    let alike = |one, other| line(one).is_some() && line(one) == line(other);
    let mut pairs = BTreeSet::new();
    for same in places.values().filter(|same| same.len() <= PLACES) {
        for (n, one) in same.iter().enumerate() {
            for other in &same[n + 1..] {
                let back = |place: Place, by: usize| (place.0, place.1 - by);
                let on = |place: Place, by: usize| (place.0, place.1 + by);
                let room = one.1.min(other.1);
                let before = (1..=room).take_while(|by| alike(back(*one, *by), back(*other, *by)));
                let before = before.count();
                let after = (RUN..).take_while(|by| alike(on(*one, *by), on(*other, *by)));
                let pair = Pair {
                    lines: before + RUN + after.count(),
                    one: back(*one, before),
                    other: back(*other, before),
                };
                // A list of alike lines is no repeat of itself.
                if pair.one.0 != pair.other.0 || pair.one.1 + RUN <= pair.other.1 {
                    pairs.insert(pair);
                }
            }
        }
    }
    pairs
}

/// Whether a line only names: the head of a function or a type, an argument, a member, an entry of a table or of a list of operations.
fn names(shape: &str) -> bool {
    let plain = shape
        .trim_start_matches("pub(a)")
        .trim_start_matches("pub ");
    let is_head = ["struct", "enum", "fn", "async fn", "impl", ")->"]
        .iter()
        .any(|head| plain.starts_with(head));
    let is_operation = ["a.a(\"\")", ".a(a)", ".a(a);"].contains(&plain);
    let does_nothing = |c: char| "a\"0(),:[]{}&|<>".contains(c);
    is_head || is_operation || plain.chars().all(does_nothing)
}

/// Pairs that share six lines or more which do something. What is left looks alike and means different things, or would be longer
/// said once.
const MOST: usize = 170;

#[test]
fn little_is_written_twice() {
    let paths = below(&source()).into_iter();
    let paths: Vec<PathBuf> = paths.filter(|it| !it.ends_with("schema.rs")).collect();
    assert!(paths.len() > 100, "only {} files were found", paths.len());
    let read = |path| shapes(&fs::read_to_string(path).expect("text"));
    let files: Vec<_> = paths.iter().map(read).collect();
    let all = pairs(&files);
    let does_something = |pair: &&Pair| {
        let lines = &files[pair.one.0][pair.one.1..][..pair.lines];
        lines.iter().filter(|(_, shape)| !names(shape)).count() >= RUN
    };
    let repeats: Vec<&Pair> = all.iter().filter(does_something).collect();
    let told = |place: Place| {
        let path = paths[place.0].strip_prefix(source()).expect("inside");
        format!("{}:{}", path.display(), files[place.0][place.1].0)
    };
    let longest = repeats.iter().rev().take(20);
    let longest: Vec<String> = longest
        .map(|it| format!("{} lines: {} {}", it.lines, told(it.one), told(it.other)))
        .collect();
    assert!(
        repeats.len() <= MOST,
        "{} pairs of places look alike, over {MOST}; say once what the longest share:\n{}",
        repeats.len(),
        longest.join("\n")
    );
}

#[test]
fn shapes_keep_what_a_line_does() {
    let text = "use a::{\n    b,\n};\n#[c(\n    d = \"]\",\n)]\n// e\n\n}\nlet mut f = g(\"h\", 1.5); // i\n";
    let shape = "let mut a=a(\"\",0.0);";
    assert_eq!(shapes(text), [(10, shape.to_owned())]);
    assert!(names("pub a:a<a>,") && names("a(a):a::a<a>,") && names("(a,\"\"),"));
    assert!(!names("let a=a(a);") && !names("a::a.a(a)?;"));
}

#[test]
fn a_pair_is_counted_once_with_all_that_it_shares() {
    let lines = |words: &[&str]| -> Vec<(usize, String)> {
        let numbered = words.iter().enumerate();
        numbered
            .map(|(n, word)| (n + 1, (*word).to_owned()))
            .collect()
    };
    let run = ["b", "c", "d", "e", "f", "g", "h"];
    let one = [&["a"], &run[..], &["i"]].concat();
    let other = [&run[..], &["j"]].concat();
    let found = pairs(&[lines(&one), lines(&other)]);
    let (lines_shared, one_at, other_at) = (7, (0, 1), (1, 0));
    let pair = Pair {
        lines: lines_shared,
        one: one_at,
        other: other_at,
    };
    assert_eq!(found, BTreeSet::from([pair]));
    assert!(pairs(&[lines(&one), lines(&run[..RUN - 1])]).is_empty());
    // In nine places it is how such things are written.
    assert!(pairs(&vec![lines(&run); PLACES + 1]).is_empty());
    assert_eq!(
        pairs(&vec![lines(&run); PLACES]).len(),
        PLACES * (PLACES - 1) / 2
    );
}
