//! Any bytes as a file of trees in a workbook or in Parquet. The first byte chooses: a whole file, or
//! one part of a workbook whose other parts are sound (a changed archive is nearly always refused for
//! its check sums).

#![no_main]

use std::cell::OnceCell;
use std::fs::File;
use std::io::{Cursor, Write as _};
use std::panic::{self, AssertUnwindSafe, catch_unwind};

use libfuzzer_sys::fuzz_target;
use spinney::read::{parquet, xlsx};
use spinney_fuzz::{prepare, print, within, write};
use tempfile::TempDir;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

const PARTS: [(&str, &str); 6] = [
    (
        "xl/worksheets/sheet1.xml",
        "<worksheet><sheetData><row r=\"1\"><c r=\"A1\" t=\"s\"><v>0</v></c></row></sheetData></worksheet>",
    ),
    ("xl/sharedStrings.xml", "<sst><si><t>plot</t></si></sst>"),
    (
        "xl/workbook.xml",
        "<workbook xmlns:r=\"r\"><sheets><sheet name=\"trees\" sheetId=\"1\" r:id=\"rId1\"/></sheets></workbook>",
    ),
    (
        "xl/styles.xml",
        "<styleSheet><cellXfs><xf numFmtId=\"0\"/></cellXfs></styleSheet>",
    ),
    (
        "xl/_rels/workbook.xml.rels",
        "<Relationships><Relationship Id=\"rId1\" Target=\"worksheets/sheet1.xml\"/></Relationships>",
    ),
    ("[Content_Types].xml", "<Types/>"),
];

thread_local! {
    static PLACE: OnceCell<TempDir> = const { OnceCell::new() };
}

fuzz_target!(
    init: {
        prepare();
        // Readers catch what panics in the decoders; only what gets past them is a fault.
        panic::set_hook(Box::new(|_| {}));
    },
    |data: &[u8]| {
        let Some((&choice, content)) = data.split_first() else {
            return;
        };
        if catch_unwind(AssertUnwindSafe(|| read(usize::from(choice), content))).is_err() {
            drop(panic::take_hook());
            read(usize::from(choice), content);
        }
    }
);

fn read(choice: usize, content: &[u8]) {
    PLACE.with(|place| {
        let place = place.get_or_init(spinney_fuzz::folder);
        let choice = choice % (PARTS.len() + 2);
        let name = if choice == 0 { "t.parquet" } else { "t.xlsx" };
        let path = place.path().join(name);
        match choice.checked_sub(2) {
            None => write(&path, content),
            Some(part) => write(&path, workbook(part, content)),
        }
        within(4, content, || {
            let file = File::open(&path).expect("the file was written");
            let mut out = std::io::sink();
            if choice == 0 {
                if let Err(finding) = parquet::to_csv(file, name, &mut out) {
                    print(&(*finding).into(), &[]);
                }
            } else if let Err(problems) = xlsx::to_csv(file, name, Default::default(), &mut out) {
                print(&problems, &[]);
            }
        });
    });
}

/// A workbook with one part replaced.
fn workbook(part: usize, content: &[u8]) -> Vec<u8> {
    let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
    for (at, (name, text)) in PARTS.iter().enumerate() {
        let text = if at == part { content } else { text.as_bytes() };
        let added = archive.start_file(*name, SimpleFileOptions::default());
        added.expect("a part can be added");
        archive.write_all(text).expect("a part can be written");
    }
    archive
        .finish()
        .expect("an archive can be closed")
        .into_inner()
}
