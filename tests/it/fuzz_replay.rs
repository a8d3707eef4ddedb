//! The corpora of the fuzz targets, through the same functions.

use std::fs;

use crate::bodies::BODIES;
use crate::command::top;

#[test]
fn every_input_of_the_corpora_is_borne() {
    for (name, body) in BODIES {
        let folder = top().join("fuzz/corpus").join(name);
        let mut paths: Vec<_> = fs::read_dir(&folder)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        paths.sort();
        assert!(!paths.is_empty(), "{name}: no corpus");
        for path in paths {
            let input = fs::read(&path).unwrap();
            let result = std::panic::catch_unwind(|| body(&input));
            assert!(result.is_ok(), "{}: see the panic above", path.display());
        }
    }
}

#[test]
fn every_body_has_a_target_and_a_corpus() {
    let targets = fs::read_dir(top().join("fuzz/fuzz_targets")).unwrap();
    let mut names: Vec<String> = targets
        .map(|entry| {
            entry
                .unwrap()
                .path()
                .file_stem()
                .unwrap()
                .to_str()
                .unwrap()
                .to_owned()
        })
        .collect();
    names.sort();
    let mut bodies = BODIES.map(|(name, _)| name.to_owned());
    bodies.sort();
    assert_eq!(names, bodies);
}
