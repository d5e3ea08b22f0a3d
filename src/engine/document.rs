//! TOML that people write (jobs, profiles), read key by key, so that every error knows its line and
//! what is near to right.
//!
//! All errors of a file are gathered, not only the first.

use std::cell::RefCell;
use std::fmt;
use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Letters of a wrong word that are looked at.
const LONGEST_WORD: usize = 64;

/// What is wrong with a file that somebody wrote, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct TextError {
    /// The file's name.
    pub file: String,
    /// The line, from 1.
    pub line: usize,
    /// The column in characters, from 1.
    pub column: usize,
    /// Where in the text (bytes), for a pointer under it.
    pub span: Range<usize>,
    /// The key's path, as in `field[2].scale`; empty for the file as a whole.
    pub key: String,
    /// What is wrong and what was expected.
    pub what: String,
}

impl fmt::Display for TextError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: ", self.file, self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, "`{}`: ", self.key)?;
        }
        f.write_str(&self.what)
    }
}

/// The errors found in one file so far.
#[derive(Debug)]
pub(crate) struct Problems<'t> {
    file: &'t str,
    text: &'t str,
    found: RefCell<Vec<TextError>>,
}

impl<'t> Problems<'t> {
    pub(crate) fn new(file: &'t str, text: &'t str) -> Self {
        Self { file, text, found: RefCell::new(Vec::new()) }
    }

    /// Adds an error at `span`.
    pub(crate) fn add(&self, span: Range<usize>, key: &str, what: impl Into<String>) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        let file = self.file.to_owned();
        let error = TextError { file, line, column, span, key: key.to_owned(), what: what.into() };
        self.found.borrow_mut().push(error);
    }

    pub(crate) fn none(&self) -> bool {
        self.found.borrow().is_empty()
    }

    /// The errors in the order of the text.
    pub(crate) fn into_errors(self) -> Vec<TextError> {
        let mut found = self.found.into_inner();
        found.sort_by_key(|error| error.span.start);
        // Some keys are asked for twice.
        found.dedup();
        found
    }
}

/// Parses `text`; syntax errors go to `problems`.
pub(crate) fn parse<'t>(text: &'t str, problems: &Problems<'_>) -> Option<Spanned<DeTable<'t>>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let span = error.span().unwrap_or(0..0);
        problems.add(span, "", error.message().replace('\n', ", "));
    }
    errors.is_empty().then_some(table)
}

/// One table of the text, and which of its keys have been asked for.
pub(crate) struct Table<'t, 'p> {
    entries: &'t DeTable<'t>,
    span: Range<usize>,
    path: String,
    asked: RefCell<Vec<&'static str>>,
    problems: &'p Problems<'p>,
}

impl<'t, 'p> Table<'t, 'p> {
    /// The whole file.
    pub(crate) fn whole(table: &'t Spanned<DeTable<'t>>, problems: &'p Problems<'p>) -> Self {
        let asked = RefCell::default();
        Self { entries: table.get_ref(), span: 0..0, path: String::new(), asked, problems }
    }

    /// The value under `key`, where it is written.
    pub(crate) fn get(&self, key: &'static str) -> Option<Item<'t, 'p>> {
        self.asked.borrow_mut().push(key);
        let (name, value) = self.entries.get_key_value(key)?;
        let path = if self.path.is_empty() { key.into() } else { format!("{}.{key}", self.path) };
        Some(Item { value, key_span: name.span(), path, problems: self.problems })
    }

    /// Says that something is wrong with the table as a whole.
    pub(crate) fn wrong(&self, what: impl Into<String>) {
        self.problems.add(self.span.clone(), &self.path, what);
    }

    /// The text under `key`, or an error that says `hint`.
    pub(crate) fn required_text(&self, key: &'static str, hint: &str) -> Option<String> {
        let item = self.get(key);
        if item.is_none() {
            self.wrong(format!("lacks `{key}`; {hint}"));
        }
        item?.text().filter(|text| !text.is_empty()).map(str::to_owned)
    }

    pub(crate) fn text(&self, key: &'static str) -> Option<&'t str> {
        self.get(key)?.text()
    }

    /// What `read` makes of the text under `key`.
    pub(crate) fn read<T, E: fmt::Display>(
        &self,
        key: &'static str,
        read: impl Fn(&str) -> Result<T, E>,
    ) -> Option<T> {
        self.get(key)?.read(read)
    }

    pub(crate) fn number(&self, key: &'static str) -> Option<f64> {
        self.get(key)?.number()
    }

    /// A number from `from` to `to`; `default` where none is written, or it lies elsewhere.
    pub(crate) fn ranged(&self, key: &'static str, (from, to): (f64, f64), default: f64) -> f64 {
        let Some(item) = self.get(key) else { return default };
        let Some(value) = item.number() else { return default };
        if (from..=to).contains(&value) {
            return value;
        }
        item.wrong(format!("{value} does not lie from {from} to {to}"));
        default
    }

    pub(crate) fn flag(&self, key: &'static str) -> Option<bool> {
        self.get(key)?.flag()
    }

    pub(crate) fn integer(&self, key: &'static str, range: RangeInclusive<i128>) -> Option<i128> {
        self.get(key)?.integer(range)
    }

    /// The one of `words` that stands under `key`.
    pub(crate) fn word<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        self.get(key)?.word(words)
    }

    pub(crate) fn table(&self, key: &'static str) -> Option<Table<'t, 'p>> {
        self.get(key)?.table()
    }

    /// The tables under `key`: one, or a list of them.
    pub(crate) fn tables(&self, key: &'static str) -> Vec<Table<'t, 'p>> {
        let Some(item) = self.get(key) else { return Vec::new() };
        match item.value.get_ref() {
            DeValue::Array(_) => item.list().iter().filter_map(Item::table).collect(),
            _ => item.table().into_iter().collect(),
        }
    }

    /// All entries, for tables whose keys are names that the writer chose.
    pub(crate) fn entries(&self) -> impl Iterator<Item = (&'t str, Item<'t, 'p>)> {
        self.entries.iter().map(|(name, value)| {
            let path = format!("{}.{}", self.path, name.get_ref());
            let item = Item { value, key_span: name.span(), path, problems: self.problems };
            (name.get_ref().as_ref(), item)
        })
    }

    /// Refuses every key that nobody asked for.
    pub(crate) fn finish(self) {
        let asked = self.asked.into_inner();
        for name in self.entries.keys() {
            let key = name.get_ref().as_ref();
            if !asked.contains(&key) {
                let what = format!("no such key here; {}", suggestion(key, &asked));
                let path = if self.path.is_empty() {
                    key.to_owned()
                } else {
                    format!("{}.{key}", self.path)
                };
                self.problems.add(name.span(), &path, what);
            }
        }
    }
}

/// One value of the text.
pub(crate) struct Item<'t, 'p> {
    value: &'t Spanned<DeValue<'t>>,
    key_span: Range<usize>,
    path: String,
    problems: &'p Problems<'p>,
}

impl<'t, 'p> Item<'t, 'p> {
    /// Says that something is wrong with the value.
    pub(crate) fn wrong(&self, what: impl Into<String>) {
        let span = self.value.span();
        let span = if span.is_empty() { self.key_span.clone() } else { span };
        self.problems.add(span, &self.path, what);
    }

    fn expected<T>(&self, what: &str) -> Option<T> {
        let found = self.value.get_ref().type_str();
        self.wrong(format!("expected {what}, found {found}"));
        None
    }

    pub(crate) fn is_text(&self) -> bool {
        self.value.get_ref().is_str()
    }

    pub(crate) fn text(&self) -> Option<&'t str> {
        self.value.get_ref().as_str().or_else(|| self.expected("a text in quotes"))
    }

    /// What `read` makes of the text.
    pub(crate) fn read<T, E: fmt::Display>(
        &self,
        read: impl Fn(&str) -> Result<T, E>,
    ) -> Option<T> {
        read(self.text()?).map_err(|error| self.wrong(error.to_string())).ok()
    }

    pub(crate) fn flag(&self) -> Option<bool> {
        self.value.get_ref().as_bool().or_else(|| self.expected("true or false"))
    }

    pub(crate) fn integer(&self, range: RangeInclusive<i128>) -> Option<i128> {
        let Some(integer) = self.value.get_ref().as_integer() else {
            return self.expected("a whole number");
        };
        let number = i128::from_str_radix(integer.as_str(), integer.radix()).ok();
        let number = number.filter(|n| range.contains(n));
        if number.is_none() {
            self.wrong(format!("must lie from {} to {}", range.start(), range.end()));
        }
        number
    }

    /// A finite number; whole ones may be written without a point.
    pub(crate) fn number(&self) -> Option<f64> {
        let number = match self.value.get_ref() {
            DeValue::Integer(n) => {
                i128::from_str_radix(n.as_str(), n.radix()).ok().map(|n| n as f64)
            }
            DeValue::Float(n) => n.as_str().parse().ok().filter(|n: &f64| n.is_finite()),
            _ => None,
        };
        number.or_else(|| self.expected("a number"))
    }

    pub(crate) fn word<T: Copy>(&self, words: &[(&str, T)]) -> Option<T> {
        let text = self.text()?;
        let found = words.iter().find(|(word, _)| *word == text);
        if found.is_none() {
            let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            self.wrong(format!("`{text}` is not known here; {}", suggestion(text, &known)));
        }
        found.map(|(_, value)| *value)
    }

    /// Bytes written as hex pairs, with or without spaces.
    pub(crate) fn bytes(&self) -> Option<Vec<u8>> {
        let text: String = self.text()?.chars().filter(|c| !c.is_whitespace()).collect();
        let bytes = hex::decode(&text).ok();
        if bytes.is_none() {
            self.wrong("expected bytes as pairs of hex digits, as in \"43 4C 01\"");
        }
        bytes
    }

    pub(crate) fn list(&self) -> Vec<Item<'t, 'p>> {
        let Some(array) = self.value.get_ref().as_array() else {
            return self.expected("a list in square brackets").unwrap_or_default();
        };
        let items = array.iter().enumerate().map(|(i, value)| Item {
            value,
            key_span: value.span(),
            path: format!("{}[{}]", self.path, i + 1),
            problems: self.problems,
        });
        items.collect()
    }

    /// The value itself where it stands alone, or all of a list.
    pub(crate) fn one_or_more(&self) -> Vec<Item<'t, 'p>> {
        if self.value.get_ref().is_array() {
            return self.list();
        }
        let (value, path) = (self.value, self.path.clone());
        vec![Item { value, key_span: self.key_span.clone(), path, problems: self.problems }]
    }

    pub(crate) fn table(&self) -> Option<Table<'t, 'p>> {
        let Some(entries) = self.value.get_ref().as_table() else {
            return self.expected("a table");
        };
        let span = self.value.span();
        let span = if span.is_empty() { self.key_span.clone() } else { span };
        let asked = RefCell::default();
        Some(Table { entries, span, path: self.path.clone(), asked, problems: self.problems })
    }
}

/// All errors on one line.
pub fn one_line(errors: &[TextError]) -> String {
    let lines: Vec<String> = errors.iter().map(ToString::to_string).collect();
    lines.join("; ")
}

/// What to write instead of `text`.
pub(crate) fn suggestion(text: &str, known: &[&str]) -> String {
    nearest(text, known).map_or_else(
        || format!("use one of {}", known.join(", ")),
        |word| format!("did you mean `{word}`?"),
    )
}

/// The word that was probably meant: a third of its letters may be wrong, or it may be cut short.
pub(crate) fn nearest<'w>(text: &str, known: &[&'w str]) -> Option<&'w str> {
    let text: String = text.to_lowercase().chars().take(LONGEST_WORD).collect();
    let far = |word: &&'w str| (strsim::damerau_levenshtein(&text, &word.to_lowercase()), *word);
    let (far, word) = known.iter().map(far).min()?;
    if far <= word.len().div_ceil(3) && far < word.len() {
        return Some(word);
    }
    let longer = |word: &&&str| text.len() >= 3 && word.starts_with(text.as_str());
    known.iter().filter(longer).min_by_key(|word| word.len()).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_offered() {
        assert_eq!(suggestion("scal", &["scale", "offset"]), "did you mean `scale`?");
        assert_eq!(suggestion("colour", &["scale", "offset"]), "use one of scale, offset");
        assert_eq!(suggestion("F", &["degF", "K"]), "use one of degF, K");
        assert_eq!(
            nearest("suction", &["suction-line-indoor", "suction-line"]),
            Some("suction-line")
        );
        assert_eq!(nearest("R-140A", &["R-22", "R-410A"]), Some("R-410A"));
        assert_eq!((nearest("", &["ab"]), nearest("x", &[])), (None, None));
    }

    #[test]
    fn an_error_knows_its_line_and_column() {
        let text = "a = 1\nwrong = [\n  \"x\" ]\n";
        let problems = Problems::new("p.toml", text);
        let table = parse(text, &problems).unwrap();
        let table = Table::whole(&table, &problems);
        assert_eq!(table.integer("a", 2..=5), None);
        assert_eq!(table.get("wrong").unwrap().list()[0].integer(0..=9), None);
        table.finish();
        let lines: Vec<String> = problems.into_errors().iter().map(ToString::to_string).collect();
        assert_eq!(lines[0], "p.toml:1:5: `a`: must lie from 2 to 5");
        assert_eq!(lines[1], "p.toml:3:3: `wrong[1]`: expected a whole number, found string");
    }

    #[test]
    fn deep_nesting_is_an_error_and_not_a_crash() {
        for text in ["a = ".to_owned() + &"[".repeat(100_000), "a.".repeat(50_000) + "a = 1"] {
            let problems = Problems::new("p.toml", &text);
            parse(&text, &problems);
            assert!(!problems.none());
        }
    }

    #[test]
    fn broken_toml_says_where() {
        let problems = Problems::new("p.toml", "a = = 1");
        assert!(parse("a = = 1", &problems).is_none());
        assert_eq!(problems.into_errors()[0].line, 1);
    }
}
