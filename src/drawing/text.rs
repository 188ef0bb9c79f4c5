//! Escaping.

/// Text made safe for HTML and SVG content and for quoted attributes.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // characters that XML forbids would spoil the picture, or the page when it is checked
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_escapes() {
        assert_eq!(escape(r#"<a href="x" b='y'>&"#), "&lt;a href=&quot;x&quot; b=&#39;y&#39;&gt;&amp;");
        assert_eq!(escape("a\u{0}b"), "a\u{fffd}b");
    }
}
