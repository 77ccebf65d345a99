//! Records: what is read, and what is refused or doubted at which place.

use spinney::records::Status;

use crate::reading::Cruise;

const FIXED: &str = "inputs: {plots: plots.csv, trees: trees.csv}\n\
                     selections: {fixed: {method: fixed-area, area_ha: 0.02}}\n";

#[test]
fn a_small_cruise_is_read() {
    let records = Cruise {
        design: FIXED,
        plots: Some("plot\n10\n2\n"),
        trees: Some(
            "plot,tree,species,dbh_cm,status,height_m\n2,1,FD,30,L,25\n10,2,psme,20,dead,\n\
             10,1,Hw,10,,\n",
        ),
        ..Cruise::default()
    }
    .records();
    let stand = &records.stands[0];
    assert_eq!(stand.name, "design");
    let names: Vec<&str> = stand.plots.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["2", "10"]);
    let trees: Vec<_> = stand.trees().map(|(_, _, tree)| tree).collect();
    assert_eq!(trees[1].number, "1");
    assert_eq!(trees[2].status, Status::Dead { decay_class: None });
    let labels: Vec<&str> = records.species.iter().map(|s| s.label.as_str()).collect();
    assert_eq!(labels, ["FD", "Hw"]);
}
