//! Record files: cruises of which every file but one is sound.

use std::path::Path;

use spinney::design::{Design, Input, Inputs};
use spinney::read::by_stand::{self, Opened};
use spinney::read::records::read_records;
use spinney::read::source::Source;
use spinney::read::{RecordFiles, open_record_files};

use crate::{design_of, folder, print, world, write};

/// Names of the record files.
pub const FILES: [&str; 4] = ["stands.csv", "plots.csv", "trees.csv", "counts.csv"];

/// A design, and sound files in the order of [`FILES`].
pub struct Sound {
    pub design: &'static str,
    pub files: [&'static str; 4],
}

/// Every method, and every column that a record file can have.
const MIXED: Sound = Sound {
    design: "\
inputs:
  stands: stands.csv
  plots: plots.csv
  trees: { path: trees.csv, columns: { BHD: dbh_cm, Art: species } }
  counts: counts.csv
selections:
  fixed: { method: fixed-area, radius_m: 7.98, min_dbh_cm: 7, slope_correction: program }
  rings:
    method: fixed-area
    rings: [{ radius_m: 4, max_dbh_cm: 20 }, { radius_m: 9, min_dbh_cm: 20 }]
  strip: { method: strip, length_m: 50, width_m: 4 }
  sweep: { method: angle-gauge, baf_m2_per_ha: 4, measured: some }
sampling: { strata: after-sampling, listed_units: 400, average: ratio-of-means }
status_codes: { L: live, D: dead, \"5\": { dead: true, decay_class: 5 } }
species_aliases: { Fichte: Engelmann spruce }
heights:
  subsample: { rule: first-per-species, per_plot: 2 }
  instrument: { angle_sd_deg: 0.25, distance_sd_pct: 0.5 }
",
    files: [
        "stand,stratum,area_ha\nA,u,3\nA,v,4.5\n",
        "stand,stratum,plot,slope_pct,plot_fraction\nA,u,1,30,1\nA,u,2,10,0.5\nA,v,3,0,1\nA,v,4,5,1\n",
        "plot,selection,tree,species,dbh_cm,status,height_m\n1,fixed,1,Fd,31.2,L,24.5\n\
         2,rings,1,Hw,22,D,\n3,sweep,1,Cw,40,5,\n4,strip,1,Fd,18,L,15\n",
        "plot,selection,species,status,count\n1,sweep,Fd,L,3\n4,sweep,Hw,D,1\n",
    ],
};

/// Stands drawn from a list, in feet and inches, with two gauges.
const LISTED: Sound = Sound {
    design: "\
units: imperial
inputs: { stands: stands.csv, plots: plots.csv, trees: trees.csv, counts: counts.csv }
selections:
  tenth: { method: fixed-area, area_ac: 0.1, min_dbh_in: 5 }
  prism: { method: angle-gauge, baf_ft2_per_ac: 20, measured: none, volume_ratio_from: tenth }
sampling: { listed_stands: 9 }
heights:
  breast_height_ft: 4.5
  subsample: { rule: per-dbh-class, class_in: 4, per_class: 2, over: stand }
",
    files: [
        "stand,area_ac\nA,30\nB,12.5\n",
        "stand,plot,easting,northing,tenth.area_ac\nA,1,0,0,\nA,2,330,0,0.05\nB,1,0,330,\n",
        "stand,plot,selection,tree,species,dbh_in,status,decay_class,height_ft\n\
         A,1,tenth,1,PSME,15.3,live,,84\nA,2,tenth,1,THPL,9.7,dead,3,\nB,1,tenth,1,PSME,11,live,,60\n",
        "stand,plot,selection,species,count\nA,1,prism,PSME,4\nB,1,prism,THPL,2\n",
    ],
};

/// Trees measured in proportion to a prediction.
const THREE_P: Sound = Sound {
    design: "\
title: sale
inputs: { stands: stands.csv, trees: trees.csv, counts: counts.csv }
selections:
  sale: { method: three-p, largest_number: 40 }
",
    files: [
        "area_ha\n12\n",
        "",
        "plot,tree,species,dbh_cm,height_m,prediction\n1,1,Fd,31.2,24.5,12\n1,2,Hw,51,33,44\n",
        "plot,selection,species,count,prediction\n1,sale,Fd,30,210\n",
    ],
};

/// Clusters, and strata weighted by points of a first sample.
const CLUSTERS: Sound = Sound {
    design: "\
inputs: { stands: stands.csv, plots: plots.csv, trees: trees.csv }
selections: { small: { method: fixed-area, area_m2: 50, min_dbh_cm: 7 } }
sampling: { strata: estimated }
species_codes: plants
",
    files: [
        "stand,stratum,area_ha,phase_one_points\nA,u,40,70\nA,v,40,30\n",
        "stand,stratum,cluster,plot\nA,u,C1,1\nA,u,C1,2\nA,u,C2,3\nA,v,C3,4\nA,v,C4,5\n",
        "stand,plot,tree,species,dbh_cm\nA,1,1,Sb,12\nA,2,1,Pj,20.5\nA,4,1,Sb,8\n",
        "",
    ],
};

/// The cruises.
pub const CRUISES: [&Sound; 4] = [&MIXED, &LISTED, &THREE_P, &CLUSTERS];

/// A cruise whose files lie in a folder.
pub struct OnDisk {
    folder: tempfile::TempDir,
    source: Source,
    design: Design,
}

impl OnDisk {
    pub fn new(design: &str) -> OnDisk {
        let folder = folder();
        let source = Source::new("design.yaml", design.to_owned());
        let (design, problems) = design_of(&source, folder.path());
        let design = design.unwrap_or_else(|| panic!("{problems:?}"));
        OnDisk {
            folder,
            source,
            design,
        }
    }

    /// Where its files lie.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Reads the files as a whole, and stand by stand: an error in one is an error in the other.
    pub fn read(&self) {
        let (whole, failed) = self.read_whole();
        let species = &world().species;
        let (opened, found) = by_stand::open(&self.design, Some(&self.source), species);
        let mut has_errors = found.has_errors();
        print(&found, &[&self.source]);
        match opened {
            None => assert!(has_errors),
            Some(Opened::Whole(files)) => {
                let (again, _) = self.read_records(&files);
                assert_eq!(again, whole);
                return;
            }
            Some(Opened::ByStand(divided)) => {
                for stand in 0..divided.stands().len() {
                    match divided.files(stand) {
                        Ok(files) => {
                            let common = Some(divided.common());
                            let read = read_records(
                                &self.design,
                                &files,
                                species,
                                common,
                                &mut |_| Ok(()),
                            );
                            has_errors |= read.1.has_errors();
                        }
                        Err(problems) => {
                            has_errors |= problems.has_errors();
                            print(&problems, &[]);
                        }
                    }
                }
            }
        }
        // Decimal marks may differ from stand to stand, and not in a whole.
        if !failed.contains(&"mixed-decimal-marks") {
            assert_eq!(has_errors, !whole, "{failed:?}");
        }
    }

    /// Can the files be read, and what is wrong with them?
    fn read_whole(&self) -> (bool, Vec<&'static str>) {
        let (files, found) = open_record_files(&self.design);
        if found.has_errors() {
            print(&found, &[]);
            return (false, found.iter().map(|one| one.code).collect());
        }
        self.read_records(&files)
    }

    fn read_records(&self, files: &RecordFiles) -> (bool, Vec<&'static str>) {
        let files = RecordFiles {
            design: Some(self.source.clone()),
            ..files.clone()
        };
        let species = &world().species;
        let (records, problems) =
            read_records(&self.design, &files, species, None, &mut |_| Ok(()));
        assert_eq!(records.is_none(), problems.has_errors(), "{problems:?}");
        let texts = [&files.stands, &files.plots, &files.trees, &files.counts];
        let mut sources: Vec<&Source> = texts.into_iter().flatten().collect();
        sources.push(&self.source);
        print(&problems, &sources);
        let codes = problems.iter().map(|one| one.code).collect();
        (records.is_some(), codes)
    }

    /// Lays sound files out.
    pub fn lay_out(&self, sound: &Sound) {
        for (name, text) in FILES.iter().zip(sound.files) {
            write(&self.path().join(name), text);
        }
    }

    /// The input of a file.
    pub fn input(&self, name: &str) -> Option<&Input> {
        let Inputs {
            stands,
            plots,
            trees,
            counts,
            ..
        } = &self.design.inputs;
        let mut inputs = [stands, plots, trees, counts].into_iter().flatten();
        inputs.find(|input| input.shown == name)
    }
}
