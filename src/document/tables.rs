//! Tables filled and set before, for who makes a document again and again.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use super::TableCell;
use crate::exhibit::{Cell, Table};

/// The rows of a table, shared with what is kept of it.
pub type Rows = Arc<Vec<Vec<TableCell>>>;

/// Tables by label, each as its block shows it, filled, and set: one that is the same one is not made again. Holds
/// the tables of one document.
#[derive(Debug, Default)]
pub struct Tables {
    known: Mutex<BTreeMap<String, Known>>,
}

#[derive(Debug)]
struct Known {
    table: Arc<Table>,
    rows: Rows,
    text: Option<SetTable>,
}

/// A table in the language of the typesetter.
#[derive(Clone, Debug, PartialEq)]
pub struct SetTable {
    /// The call that makes it.
    pub text: String,
    /// Whether it needs a page lying on its side.
    pub lying: bool,
    /// Whether it goes to the head or foot of a page.
    pub floats: bool,
}

impl Tables {
    /// The rows of a table, made by `fill` where they are not known. Cells that depend on the rest of the note are
    /// filled each time.
    pub(super) fn rows(
        &self,
        label: &str,
        table: &Arc<Table>,
        fill: impl FnOnce() -> Vec<Vec<TableCell>>,
    ) -> Rows {
        if !stands_alone(table) {
            return Arc::new(fill());
        }
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = known.get(label).filter(|known| Arc::ptr_eq(&known.table, table)) {
            return Arc::clone(&known.rows);
        }
        let rows = Arc::new(fill());
        let (table, kept) = (Arc::clone(table), Arc::clone(&rows));
        known.insert(label.to_owned(), Known { table, rows: kept, text: None });
        rows
    }

    /// The table of these rows as it is set, made by `set` where it is not known.
    pub fn set(&self, label: &str, rows: &Rows, set: impl FnOnce() -> SetTable) -> SetTable {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        match known.get_mut(label).filter(|known| Arc::ptr_eq(&known.rows, rows)) {
            Some(known) => known.text.get_or_insert_with(set).clone(),
            None => set(),
        }
    }

    /// Forgets all but the tables of these labels.
    pub(super) fn retain(&self, labels: &[&str]) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.retain(|label, _| labels.contains(&label.as_str()));
    }
}

/// Whether nothing in it depends on the place of its block, on the note's prose or on what else is shown.
fn stands_alone(table: &Table) -> bool {
    table.rows.iter().flatten().all(|cell| match cell {
        Cell::Empty | Cell::Text(_) | Cell::Number { .. } | Cell::Verdict(..) => true,
        Cell::Prose(..) | Cell::Math(_) | Cell::Link { .. } => false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exhibit::Column;

    fn table(cell: Cell) -> Arc<Table> {
        Arc::new(Table {
            anchor: "table".to_owned(),
            caption: String::new(),
            columns: vec![Column::text("A", "a")],
            rows: vec![vec![cell]],
            note: String::new(),
        })
    }

    #[test]
    fn only_the_same_table_is_kept_and_only_where_it_stands_alone() {
        let tables = Tables::default();
        let text = |text: &str| SetTable { text: text.to_owned(), lying: false, floats: false };
        let first = table(Cell::Text("x".to_owned()));
        let rows = tables.rows("a.table", &first, || vec![vec![TableCell::Empty]]);
        assert_eq!(tables.set("a.table", &rows, || text("first")), text("first"));
        let again = tables.rows("a.table", &first, || panic!("filled again"));
        assert!(Arc::ptr_eq(&again, &rows));
        assert_eq!(tables.set("a.table", &again, || panic!("set again")), text("first"));
        // An equal table is not the same one.
        let rows = tables.rows("a.table", &table(Cell::Text("x".to_owned())), Vec::new);
        assert_eq!(tables.set("a.table", &rows, || text("second")), text("second"));
        tables.retain(&["b.table"]);
        assert_eq!(tables.set("a.table", &rows, || text("third")), text("third"));
        for cell in [Cell::Math("x".to_owned()), Cell::Link { text: String::new(), to: "b.table".to_owned() }]
        {
            let table = table(cell);
            let first = tables.rows("c.table", &table, Vec::new);
            assert!(!Arc::ptr_eq(&first, &tables.rows("c.table", &table, Vec::new)));
        }
    }
}
