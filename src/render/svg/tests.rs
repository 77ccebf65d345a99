use proptest::prelude::*;

use super::*;
use crate::tables::chart::{Bar, Line, Mark, Point};

fn any_interval() -> impl Strategy<Value = Interval> {
    let limits = prop::option::of((any::<f64>(), any::<f64>()));
    (any::<f64>(), limits).prop_map(|(value, limits)| Interval { value, limits })
}

fn any_axis() -> impl Strategy<Value = Axis> {
    (".{0,40}", any::<bool>()).prop_map(|(label, from_zero)| Axis { label, from_zero })
}

/// Any number at all, and often the same.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<f64>(),
        Just(0.0),
        Just(f64::NAN),
        Just(f64::INFINITY),
        -1e3..1e3_f64
    ]
}

prop_compose! {
    fn any_plane()(
        y in any_axis(),
        map in any::<bool>(),
        bars in prop::collection::vec((number(), number(), any_interval(), 0..9_usize), 0..4),
        lines in prop::collection::vec((prop::collection::vec((number(), number()), 0..6), any::<bool>()), 0..3),
        points in prop::collection::vec((number(), number(), prop::option::of(number()), 0..9_usize, ".{0,9}"), 0..9),
        rug in prop::collection::vec(number(), 0..5),
    ) -> Plane {
        let bar = |(from, to, value, mark)| Bar { from, to, value, mark: Mark(mark) };
        let point = |(x, y, area, mark, label)| Point { x, y, area, mark: Mark(mark), label };
        Plane {
            y,
            map,
            bars: bars.into_iter().map(bar).collect(),
            lines: lines.into_iter().map(|(points, dashed)| Line { points, dashed }).collect(),
            points: points.into_iter().map(point).collect(),
            rug,
        }
    }
}

prop_compose! {
    fn any_row()(
        label in ".{0,60}",
        mark in 0..9_usize,
        dots in prop::collection::vec(number(), 0..30),
        estimate in prop::option::of(any_interval()),
        bar in any::<bool>(),
        whole in any::<bool>(),
    ) -> Row {
        Row { label, mark: Mark(mark), dots, estimate, bar, words: "not known".to_owned(), whole }
    }
}

fn any_panel() -> impl Strategy<Value = Panel> {
    let drawn = prop_oneof![
        any_plane().prop_map(Drawn::Plane),
        prop::collection::vec(any_row(), 0..5).prop_map(Drawn::Rows),
    ];
    (".{0,40}", any_axis(), drawn).prop_map(|(title, x, drawn)| Panel { title, x, drawn })
}

proptest! {
    /// Whatever the numbers: a drawing for each panel, all of whose places are numbers within it
    /// (dashes and letters may stand out a little), no word of which is markup.
    #[test]
    fn any_chart_is_drawn(panels in prop::collection::vec(any_panel(), 0..4), shared_axes in any::<bool>()) {
        let chart = Chart { panels, shared_axes, ..Chart::default() };
        let drawings = draw(&chart);
        prop_assert_eq!(drawings.len(), chart.panels.len());
        for drawing in drawings {
            prop_assert!(drawing.height.is_finite() && drawing.height > 0.0);
            for attribute in ["x", "x1", "x2", "cx", "y", "y1", "y2", "cy"] {
                let most = if attribute.contains('x') { drawing.width } else { drawing.height };
                for value in values(&drawing.elements, attribute) {
                    let place: f64 = value.parse().unwrap();
                    let within = (-4.0 * UNITS..=(most + 44.0) * UNITS).contains(&place);
                    prop_assert!(within, "{attribute}={value} of {most}");
                }
            }
            prop_assert!(!drawing.elements.contains("NaN"));
        }
    }
}

/// Values of an attribute.
fn values<'t>(elements: &'t str, attribute: &str) -> Vec<&'t str> {
    let start = format!(" {attribute}=\"");
    let parts = elements.split(&start).skip(1);
    parts.filter_map(|part| part.split('"').next()).collect()
}

#[test]
fn words_of_the_user_are_no_markup() {
    let row = Row::new("<b>&\"", Mark::PLAIN, None);
    let chart = Chart {
        panels: vec![Panel {
            title: "</svg><script>".to_owned(),
            x: Axis::over("a < b"),
            drawn: Drawn::Rows(vec![row]),
        }],
        ..Chart::default()
    };
    let text = &draw(&chart)[0].elements;
    for escaped in [
        "&lt;b&gt;&amp;&quot;",
        "&lt;/svg&gt;&lt;script&gt;",
        "a &lt; b",
    ] {
        assert!(text.contains(escaped), "{text}");
    }
    assert!(!text.contains("<script"));
}

#[test]
fn a_small_chart() {
    let limits = Some((4.0, 16.0));
    let mut cedar = Row::new(
        "cedar",
        Mark::of(0),
        Some(Interval {
            value: 10.0,
            limits,
        }),
    );
    cedar.dots = vec![2.0, 10.0, 10.1];
    let chart = Chart {
        panels: vec![Panel {
            title: String::new(),
            x: Axis::from_zero("basal area, m2/ha"),
            drawn: Drawn::Rows(vec![cedar]),
        }],
        ..Chart::default()
    };
    insta::assert_snapshot!(draw(&chart)[0].elements);
}

/// A whisker whose lower limit lies below zero ends at zero, and the rest of the axis is unchanged.
#[test]
fn nothing_is_drawn_below_an_axis_from_zero() {
    let limits = Some((-5.0, 15.0));
    let row = Row::new("x", Mark::PLAIN, Some(Interval { value: 5.0, limits }));
    let panel = Panel {
        title: String::new(),
        x: Axis::from_zero("y"),
        drawn: Drawn::Rows(vec![row]),
    };
    let scale = over(&[&panel], |panel| &panel.x, along).unwrap();
    assert_eq!((scale.from, scale.to()), (0.0, 15.0));
}
