//! Charts as plain data: numbers in the units that are shown, at full precision, and words.

/// A figure of one or more panels.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Chart {
    /// What it shows, with the units that hold for all of it.
    pub title: String,
    /// What a reader who cannot see it is told: the main figures.
    pub description: String,
    /// Panels in their order.
    pub panels: Vec<Panel>,
    /// Have the panels the same axes?
    pub shared_axes: bool,
    /// What the marks mean.
    pub key: Vec<Key>,
    /// Remarks below.
    pub notes: Vec<String>,
}

/// A panel with its axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// What tells it from the others; empty where it is the only one.
    pub title: String,
    /// The axis along the foot.
    pub x: Axis,
    /// What is drawn.
    pub drawn: Drawn,
}

/// An axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// What it measures, with its unit.
    pub label: String,
    /// Does it begin at zero? What lies below is then cut off.
    pub from_zero: bool,
}

/// What a panel shows.
#[derive(Clone, Debug, PartialEq)]
pub enum Drawn {
    /// Two measured axes.
    Plane(Plane),
    /// A line of marks for each name, against the axis along the foot.
    Rows(Vec<Row>),
}

/// Marks between two measured axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Plane {
    /// The axis up the side.
    pub y: Axis,
    /// A map: a length is as long up as along, and no axis is written but a scale.
    pub map: bool,
    /// Bars up from zero.
    pub bars: Vec<Bar>,
    /// Lines, below the points.
    pub lines: Vec<Line>,
    /// Points.
    pub points: Vec<Point>,
    /// Ticks along the foot.
    pub rug: Vec<f64>,
}

/// A bar from zero, with its interval.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    /// Left end.
    pub from: f64,
    /// Right end.
    pub to: f64,
    /// Its height.
    pub value: Interval,
    /// Its colour.
    pub mark: Mark,
}

/// A value with its limits, where it has any.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// The value.
    pub value: f64,
    /// Lower and upper limit.
    pub limits: Option<(f64, f64)>,
}

/// A line through points.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its points.
    pub points: Vec<(f64, f64)>,
    /// Broken, where it is a guess.
    pub dashed: bool,
}

/// A point.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Along.
    pub x: f64,
    /// Up.
    pub y: f64,
    /// Its area, where 1 is the largest; `None` for the common small mark.
    pub area: Option<f64>,
    /// Its look.
    pub mark: Mark,
    /// What is written beside it; empty for nothing.
    pub label: String,
}

/// A name and what belongs to it.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// The name.
    pub label: String,
    /// Its look.
    pub mark: Mark,
    /// Single values, small.
    pub dots: Vec<f64>,
    /// The value that stands out, with its limits.
    pub estimate: Option<Interval>,
    /// Is the value a bar from zero rather than a point?
    pub bar: bool,
    /// Words in place of a value.
    pub words: String,
    /// Set off from the rows before it: a total.
    pub whole: bool,
}

/// Colour and shape, one of [`Mark::KINDS`] that differ in both; [`Mark::PLAIN`] is neither of a
/// species nor of a stratum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark(pub usize);

impl Mark {
    /// Marks that can be told apart.
    pub const KINDS: usize = 7;
    /// The mark of what is all together.
    pub const PLAIN: Mark = Mark(Mark::KINDS);

    /// The mark of the `at`-th of some things; from the eighth on they come again.
    pub fn of(at: usize) -> Mark {
        Mark(at % Mark::KINDS)
    }
}

/// A mark and what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct Key {
    /// What is drawn.
    pub sign: Sign,
    /// What it means.
    pub words: String,
}

/// What a key explains.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// A point.
    Point(Mark),
    /// A line.
    Line,
    /// A broken line.
    Dashed,
    /// A tick along the foot.
    Tick,
    /// A value with its limits.
    Whisker(Mark),
}

impl Axis {
    /// An axis over its values.
    pub fn over(label: impl Into<String>) -> Axis {
        Axis {
            label: label.into(),
            from_zero: false,
        }
    }

    /// An axis from zero.
    pub fn from_zero(label: impl Into<String>) -> Axis {
        Axis {
            label: label.into(),
            from_zero: true,
        }
    }
}

impl Plane {
    /// Nothing yet.
    pub fn new(y: Axis) -> Plane {
        Plane {
            y,
            map: false,
            bars: Vec::new(),
            lines: Vec::new(),
            points: Vec::new(),
            rug: Vec::new(),
        }
    }
}

impl Row {
    /// A name with a value.
    pub fn new(label: impl Into<String>, mark: Mark, estimate: Option<Interval>) -> Row {
        Row {
            label: label.into(),
            mark,
            dots: Vec::new(),
            estimate,
            bar: false,
            words: String::new(),
            whole: false,
        }
    }
}
