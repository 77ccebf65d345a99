//! "Did you mean": the known word nearest to a mistyped one.

/// The candidate that a mistyped word most probably means: least number of letters inserted, left
/// out, changed or swapped (optimal string alignment), without regard to case; `None` if every
/// candidate is farther than a third of its length. Ties go to the first.
pub(crate) fn nearest<'c>(
    text: &str,
    candidates: impl IntoIterator<Item = &'c str>,
) -> Option<&'c str> {
    let text = text.trim().to_lowercase();
    candidates
        .into_iter()
        .filter_map(|candidate| {
            let distance = strsim::osa_distance(&text, &candidate.to_lowercase());
            let length = candidate.chars().count().max(text.chars().count());
            (distance * 3 <= length.max(3)).then_some((distance, candidate))
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// "did you mean `a`?", or the list of what is known.
pub(crate) fn did_you_mean(text: &str, candidates: &[&str]) -> String {
    match nearest(text, candidates.iter().copied()) {
        Some(word) => format!("did you mean `{word}`?"),
        None if candidates.is_empty() => String::from("none is known here"),
        None => format!("known here: {}", candidates.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typing_slips_find_their_word() {
        let known = ["radius_m", "area_ha", "min_dbh_cm"];
        assert_eq!(nearest("raduis_m", known), Some("radius_m"));
        assert_eq!(nearest("Area_HA", known), Some("area_ha"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest("HM", ["CW", "HW", "FD"]), Some("HW"));
        assert_eq!(did_you_mean("x", &["a_b", "c_d"]), "known here: a_b, c_d");
    }
}
