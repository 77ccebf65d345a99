//! `examples/reports` holds what the program makes of an example, byte for byte. After a change on
//! purpose `INSTA_UPDATE=always cargo test` writes it anew; read the difference.

use std::{env, fs};

use crate::cruise::{Cruise, repository};

#[test]
fn the_example_reports_are_those_of_the_program() {
    let folder = repository().join("examples/reports");
    let cruise = Cruise::copy_of("examples/marrow-creek");
    for (format, name) in [
        ("terminal", "marrow-creek.txt"),
        ("markdown", "marrow-creek.md"),
        ("html", "marrow-creek.html"),
        ("xlsx", "marrow-creek.xlsx"),
        ("csv", "marrow-creek.csv"),
    ] {
        let run = cruise.run(&["compile", "design.yaml", "--format", format, "--out", name]);
        assert_eq!(run.status, 0, "{}", run.stderr);
        let made = fs::read(cruise.path(name)).unwrap();
        let kept = folder.join(name);
        if env::var("INSTA_UPDATE").is_ok_and(|update| update == "always") {
            fs::write(&kept, &made).unwrap();
        }
        assert!(
            fs::read(&kept).is_ok_and(|kept| kept == made),
            "examples/reports/{name} is not what the program makes now; \
             INSTA_UPDATE=always writes it anew"
        );
    }
}
