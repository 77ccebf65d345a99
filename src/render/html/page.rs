//! The frame of a page: one file, closed to the network.

use maud::{DOCTYPE, Markup, PreEscaped, html};

/// A whole page with its own style. Nothing in it may load anything or run a script: the policy in
/// its head says so to the browser too.
pub fn page(title: &str, style: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(style)) }
            }
            body { (body) }
        }
    }
    .into_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_the_user_are_no_markup() {
        let page = page("<script>1</script>", "", &html! { p { "a < b & c" } });
        assert!(page.contains("<title>&lt;script&gt;1&lt;/script&gt;</title>"));
        assert!(page.contains("<p>a &lt; b &amp; c</p>"));
    }
}
