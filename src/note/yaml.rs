//! YAML as a tree whose values know their places.
