//! The bodies of the fuzz targets: the very functions that the tests replay the corpora through.

#[path = "../../tests/it/bodies.rs"]
pub mod bodies;
