//! loopcase: from a design note to a solved, typeset design-justification document.
