//! A drawing of the live page that can be brought up to date text by text.
//!
//! The page is drawn by one function into markup. Whatever changes from moment to moment is put in
//! through a [`Pen`], which also notes it under a key; so what a browser is sent later, and where
//! it belongs, can never differ from what was drawn. When more than texts has changed the
//! structure differs, and the browser fetches the page again.

use std::collections::BTreeMap;

use maud::{Markup, html};
use serde_json::{Value, json};

use super::history::History;
use super::page::{self, Live, Scene};
use crate::app::view::View;
use crate::edge::folder;
use crate::engine::columns::Units;

/// Puts in what changes.
#[derive(Debug, Default)]
pub struct Pen {
    texts: BTreeMap<String, String>,
    bare: bool,
}

impl Pen {
    /// A text that changes.
    pub fn text(&mut self, key: &str, text: &str) -> Markup {
        let shown = if self.bare { "" } else { text };
        let markup = html! { span data-live=(key) { (shown) } };
        self.texts.insert(key.to_owned(), text.to_owned());
        markup
    }

    /// A bar that shows a share (0 to 1); `label` says of what.
    pub fn bar(&mut self, key: &str, share: f64, label: &str) -> Markup {
        let percent = format!("{:.0}", 100.0 * share.clamp(0.0, 1.0));
        let shown = if self.bare { "" } else { &percent };
        let markup = html! {
            progress data-live=(key) max="100" value=(shown) aria-label=(label) {}
        };
        self.texts.insert(key.to_owned(), percent);
        markup
    }
}

/// The live page at one moment, in one system of units.
#[derive(Debug)]
pub struct Drawing {
    /// What it shows beside the view.
    pub scene: Scene,
    /// What it shows.
    pub view: View,
    texts: BTreeMap<String, String>,
    structure: String,
}

impl Drawing {
    /// The drawing of `view`.
    pub fn new(history: &History, view: View, units: Units) -> Self {
        let mut pen = Pen { bare: true, ..Pen::default() };
        let scene = Scene::from(history);
        let Live { now, happened } = page::live(&scene, &view, units, &mut pen);
        let structure = folder::digest(&format!("{}{}", now.0, happened.0));
        Self { scene, view, texts: pen.texts, structure }
    }

    /// What a browser has to change that shows `before`; all of it where it shows nothing yet.
    pub fn change(&self, before: Option<&Self>) -> Value {
        let differs = |key: &str, text: &str| {
            before.and_then(|before| before.texts.get(key)).is_none_or(|old| old != text)
        };
        let texts: serde_json::Map<String, Value> = (self.texts.iter())
            .filter(|(key, text)| differs(key, text))
            .map(|(key, text)| (key.clone(), Value::from(text.as_str())))
            .collect();
        json!({ "structure": self.structure, "gist": self.view.gist, "texts": texts })
    }

    /// What the markup is without its texts, in a few letters.
    pub fn structure(&self) -> &str {
        &self.structure
    }
}
