//! How a document looks: the text of its templates.

use std::collections::BTreeMap;

/// A set of template files by name. `report.typ` is the one that is rendered; it may include the others.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    files: BTreeMap<String, String>,
}

/// Parts that both of our looks share.
const SHARED: [(&str, &str); 6] = [
    ("shared/style.typ", include_str!("../../templates/shared/style.typ")),
    ("shared/cover.typ", include_str!("../../templates/shared/cover.typ")),
    ("shared/summary.typ", include_str!("../../templates/shared/summary.typ")),
    ("shared/appendices.typ", include_str!("../../templates/shared/appendices.typ")),
    // A package of several notes, and one note in it.
    ("shared/package.typ", include_str!("../../templates/shared/package.typ")),
    ("shared/part.typ", include_str!("../../templates/shared/part.typ")),
];

/// Names and main files of the looks compiled in.
const REPORTS: [(&str, &str); 2] = [
    ("review", include_str!("../../templates/review/report.typ")),
    ("customer", include_str!("../../templates/customer/report.typ")),
];

impl Look {
    /// Names of the looks that are compiled in.
    pub fn names() -> impl Iterator<Item = &'static str> {
        REPORTS.into_iter().map(|(name, _)| name)
    }

    /// A look that is compiled in.
    pub fn named(name: &str) -> Option<Self> {
        let (_, report) = REPORTS.into_iter().find(|(n, _)| *n == name)?;
        let mut look = Self { files: BTreeMap::new() };
        look.files.extend(SHARED.map(|(name, text)| (name.to_owned(), text.to_owned())));
        look.files.insert("report.typ".to_owned(), report.to_owned());
        Some(look)
    }

    /// The user's own look: his files (path below his folder, text) over the shared parts compiled in.
    ///
    /// `None` where there is no `report.typ` among them.
    pub fn from_files(files: impl IntoIterator<Item = (String, String)>) -> Option<Self> {
        let mut look = Self::named("review")?;
        look.files.remove("report.typ");
        look.files.extend(files);
        look.files.contains_key("report.typ").then_some(look)
    }

    /// Names and texts, `report.typ` among them.
    pub fn files(&self) -> impl Iterator<Item = (&str, &str)> {
        self.files.iter().map(|(name, text)| (name.as_str(), text.as_str()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_of_ones_own_needs_a_report_and_keeps_the_shared_parts() {
        assert_eq!(Look::from_files([("other.typ".to_owned(), String::new())]), None);
        let look = Look::from_files([("report.typ".to_owned(), "x".to_owned())]).expect("has a report");
        assert!(look.files().any(|(name, _)| name == "shared/style.typ"));
        assert!(Look::names().all(|name| Look::named(name).is_some()));
    }
}
