//! Errors in files that people write: the line, a pointer under the text, and what would be right.

use std::io::{self, IsTerminal};

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde_json::{Value, json};

use crate::engine::document::TextError;

/// Whether the explanation may have colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Bare text, as for a file.
    Plain,
    /// With the terminal's colours.
    Coloured,
}

impl Look {
    /// What standard error can show.
    pub fn of_stderr() -> Self {
        Self::of(io::stderr().is_terminal())
    }

    /// What standard output can show.
    pub fn of_stdout() -> Self {
        Self::of(io::stdout().is_terminal())
    }

    /// Colours where a terminal shows them and `NO_COLOR` does not ask for none.
    fn of(terminal: bool) -> Self {
        let unwished = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        if terminal && !unwished { Self::Coloured } else { Self::Plain }
    }
}

/// All errors of the file that holds `text`, each with its line and a pointer.
pub fn errors(errors: &[TextError], text: &str, look: Look) -> String {
    let shown: Vec<String> = errors.iter().map(|error| one(error, text, look)).collect();
    shown.join("\n\n")
}

/// One error with its line and a pointer.
pub fn one(error: &TextError, text: &str, look: Look) -> String {
    let renderer = match look {
        Look::Plain => Renderer::plain(),
        Look::Coloured => Renderer::styled(),
    };
    let level = Level::ERROR.with_name("wrong");
    let title = if error.key.is_empty() { "the file" } else { &error.key };
    let group = level.clone().primary_title(title);
    // What is missing from the file as a whole has no place in it.
    if error.span.is_empty() && error.span.start == 0 {
        let group = group.element(level.message(format!("{}: {}", error.file, error.what)));
        return renderer.render(&[group]);
    }
    let end = error.span.end.max(error.span.start + 1).min(text.len());
    let end = (end..=text.len()).find(|n| text.is_char_boundary(*n)).unwrap_or(text.len());
    // Of a value that goes over lines only the first is marked.
    let line = text[error.span.start..end].find('\n').map_or(end, |n| error.span.start + n);
    let span = error.span.start..line.max(error.span.start);
    let mark = AnnotationKind::Primary.span(span).label(error.what.as_str());
    renderer
        .render(&[group.element(Snippet::source(text).path(error.file.as_str()).annotation(mark))])
}

/// One error as JSON of this `kind`.
pub fn json(kind: &str, error: &TextError) -> Value {
    let TextError { file, line, column, key, what, .. } = error;
    json!({"kind": kind, "file": file, "line": line, "column": column, "key": key,
        "what": what})
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::job::JobFile;

    #[test]
    fn an_error_is_shown_with_its_line_and_a_pointer() {
        let text = "site = \"x\"\n[unit]\nmetering = \"pistn\"\n";
        let found = JobFile::parse_named("j.toml", text).unwrap_err();
        let shown = errors(&found, text, Look::Plain);
        assert!(shown.contains("j.toml:3:12"), "{shown}");
        assert!(shown.contains("3 | metering = \"pistn\""), "{shown}");
        assert!(shown.contains("^^^^^^^"), "{shown}");
    }

    #[test]
    fn an_error_at_the_very_end_of_a_text_is_shown() {
        for text in ["site = ", "site = \"x", "é", "", "[unit]\nkind = \"é"] {
            let found = JobFile::parse_named("j.toml", text).unwrap_err();
            assert!(errors(&found, text, Look::Plain).contains("j.toml"), "{text:?}");
        }
    }
}
