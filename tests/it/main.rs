//! The one integration binary; modules by topic.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test fails by panicking, helpers included, and prints what it measured"
)]

mod answers;
mod asking;
mod bark_profiles;
mod biomass;
mod biomass_cruise;
mod bootstrap;
mod bucking;
mod compare;
mod comparing;
mod compiling;
mod counted_sweeps;
mod cruise;
mod curve_residuals;
mod design_errors;
mod designs;
mod dirty_field_book;
mod double_sampling;
mod estimate_rows;
mod estimators;
mod explain_estimate;
mod families_canada;
mod families_us;
mod formula_properties;
mod height_bias;
mod height_borrowing;
mod height_choice;
mod height_draws;
mod height_draws_places;
mod height_effects;
mod height_filling;
mod height_fits;
mod height_pathologies;
mod height_report;
mod height_trees;
mod house;
mod instruments;
mod log_rules;
mod logs;
mod measured_heights;
mod mixed_cases;
mod mixed_fits;
mod mixed_heights;
mod mixed_properties;
mod national_cruise;
mod national_scale;
mod nist;
mod own_tables;
mod paired;
mod plan_command;
mod planning;
mod practice_facts;
mod prism_cruise;
mod random;
mod reading;
mod reading_properties;
mod readme;
mod record_errors;
mod regional_curves;
mod rejects;
mod sample;
mod sampling_designs;
mod sampling_on_disk;
mod sampling_properties;
mod side_by_side;
mod simulation;
mod species_tables;
mod stands_and_strata;
mod survey_package;
mod systematic;
mod three_p;
mod upper_flat_creek;
mod upper_flat_creek_check;
mod volume_choice;
mod volume_designs;
mod volumes;
mod warnings;
mod whole_error;
mod whole_error_simulation;
mod wood_properties;
mod worked_estimators;
