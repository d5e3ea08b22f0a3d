//! Topics that no name can break.

use std::fmt::Write as _;

/// A name as one level of a topic: what has a meaning in topics, and what no topic should hold, is
/// percent-encoded.
///
/// ```
/// use settled::edge::broker::topic::level;
/// assert_eq!(level("Bakery 2/3 +#1 (50%)"), "Bakery 2%2F3 %2B%231 (50%25)");
/// ```
pub fn level(name: &str) -> String {
    let mut level = String::new();
    for c in name.chars() {
        if c.is_control() || "%/+#".contains(c) {
            let mut bytes = [0; 4];
            for byte in c.encode_utf8(&mut bytes).bytes() {
                // Writing to a string cannot fail.
                let _ = write!(level, "%{byte:02X}");
            }
        } else {
            level.push(c);
        }
    }
    level
}

/// Whether `text` can stand at the beginning of topics: levels that hold something, no wildcard,
/// and not one of the broker's own.
pub fn is_prefix(text: &str) -> bool {
    let plain = |c: char| !c.is_control() && c != '+' && c != '#';
    !text.starts_with('$')
        && text.split('/').all(|level| !level.is_empty())
        && text.chars().all(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_has_no_separator_and_no_wildcard() {
        assert_eq!(level("plain name-1"), "plain name-1");
        assert_eq!(level("a/b"), "a%2Fb");
        assert_eq!(level("\u{0}\u{85}"), "%00%C2%85");
        assert_ne!(level("a/b"), level("a%2Fb"));
    }

    #[test]
    fn a_prefix_is_levels_without_wildcards() {
        assert!(is_prefix("settled") && is_prefix("company/vans"));
        for wrong in ["", "/", "a//b", "a/", "$SYS", "a/+", "#", "a\u{0}"] {
            assert!(!is_prefix(wrong), "{wrong}");
        }
    }
}
