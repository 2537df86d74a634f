//! Figures as data.

use crate::units::Unit;

/// A figure with its caption and its words for those who can't see it.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Anchor below the block's name: `figure`, `figure.2`, `schematic`, `diagram`.
    pub anchor: String,
    /// Caption, plain text; a `caption` field of the block replaces that of its first exhibit.
    pub caption: String,
    /// Alternative text: what the figure shows, in a sentence or two, with its main numbers.
    pub alt: String,
    /// What is drawn.
    pub drawing: Drawing,
}

/// What a figure draws.
#[derive(Clone, Debug, PartialEq)]
pub enum Drawing {
    /// Curves over a common abscissa.
    Plot(Plot),
    /// Horizontal bars, one row each.
    Bars(Bars),
    /// The loop filter with its values.
    Filter(FilterSchematic),
    /// The loop as blocks, with the plan's numbers.
    Loop(LoopDiagram),
}

/// Panels stacked over one abscissa.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// The abscissa.
    pub x: Axis,
    /// Panels from top to bottom.
    pub panels: Vec<Panel>,
}

/// One panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// The ordinate.
    pub y: Axis,
    /// Curves.
    pub curves: Vec<Curve>,
    /// Marks.
    pub marks: Vec<Mark>,
}

/// Linear or logarithmic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Equal steps.
    Linear,
    /// Decades.
    Log,
}

/// An axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// What is drawn, without unit: "Offset from the carrier".
    pub label: String,
    /// Unit of the values given.
    pub unit: Unit,
    /// Scale.
    pub scale: Scale,
    /// Range; `None`: from the curves, on round steps.
    pub range: Option<(f64, f64)>,
}

/// A curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Name in the legend.
    pub name: String,
    /// What it stands for: fixes its look everywhere.
    pub role: Role,
    /// Points, ascending in x; not-finite values break the line.
    pub points: Vec<(f64, f64)>,
}

/// What a curve stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// The sum, or the one curve that matters.
    Total,
    /// The frequency standard.
    Reference,
    /// The oscillator.
    Oscillator,
    /// Detector floor and flicker.
    Detector,
    /// The fractional modulator.
    Modulator,
    /// Resistors and amplifier of the filter.
    Filter,
    /// Supply.
    Supply,
    /// Output floor.
    Output,
    /// Small contributors put together.
    Others,
    /// A curve beside the main one (closed loop, sampled model).
    Second,
    /// Measured.
    Measured,
}

/// A mark in a panel.
#[derive(Clone, Debug, PartialEq)]
pub enum Mark {
    /// A vertical line through all panels.
    Vertical {
        /// Where.
        x: f64,
        /// Its words.
        label: String,
    },
    /// A horizontal line.
    Horizontal {
        /// Where.
        y: f64,
        /// Its words.
        label: String,
    },
    /// A point on a curve.
    Point {
        /// Where.
        x: f64,
        /// Where.
        y: f64,
        /// Its words.
        label: String,
    },
    /// A discrete line of a spectrum, from the lower edge up to its level.
    Line {
        /// Where.
        x: f64,
        /// Its level.
        y: f64,
        /// What it comes from: fixes its colour.
        role: Role,
        /// Words at its head; empty for none.
        label: String,
        /// Words in the legend, once for all lines that share them; empty for none.
        legend: String,
    },
    /// A limit that the curve must stay below.
    Mask {
        /// Corners.
        points: Vec<(f64, f64)>,
        /// Its words.
        label: String,
    },
    /// Boxes of the plane, shaded, below everything else.
    Area {
        /// From and to along the abscissa, from and to along the ordinate.
        boxes: Vec<[f64; 4]>,
        /// Their look.
        shade: Shade,
        /// Its words.
        label: String,
    },
    /// Lines that bound something; they may run in any direction.
    Boundary {
        /// Points of each line.
        lines: Vec<Vec<(f64, f64)>>,
        /// Its words.
        label: String,
    },
    /// A range of the abscissa, e.g. integration limits.
    Span {
        /// From.
        from: f64,
        /// To.
        to: f64,
        /// Its words.
        label: String,
    },
}

/// How an area looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shade {
    /// Everything holds there.
    Allowed,
    /// Nothing can be had there.
    Impossible,
}

/// Horizontal bars (who owns the jitter).
#[derive(Clone, Debug, PartialEq)]
pub struct Bars {
    /// What the length of a bar is.
    pub label: String,
    /// Name, role, share 0..1, printed value; in the order drawn.
    pub rows: Vec<(String, Role, f64, String)>,
}

/// The loop filter.
#[derive(Clone, Debug, PartialEq)]
pub struct FilterSchematic {
    /// Whether an op-amp stands in it.
    pub active: bool,
    /// Order, 2 to 4.
    pub order: u8,
    /// Part names (`C1`, `R2`, ..) and printed values.
    pub parts: Vec<(String, String)>,
    /// Pump current as printed.
    pub pump: String,
    /// Capacitance of the tuning port as printed, where there is one.
    pub port: Option<String>,
    /// Voltage at the op-amp's non-inverting input as printed, where it is stated.
    pub rest: Option<String>,
}

/// The loop as blocks.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopDiagram {
    /// Frequency of the standard, as printed.
    pub reference: String,
    /// Whether the reference is doubled.
    pub doubler: bool,
    /// Reference divider as printed ("4").
    pub reference_divider: String,
    /// Detector rate as printed.
    pub detector: String,
    /// Pump current as printed.
    pub pump: String,
    /// Filter in words: "passive, 3rd order", and its bandwidth as printed.
    pub filter: (String, String),
    /// Oscillator: frequency and gain as printed.
    pub oscillator: (String, String),
    /// Feedback divider as printed ("1120", "57 + 13/16").
    pub feedback_divider: String,
    /// Fixed prescaler as printed, where there is one.
    pub prescaler: Option<String>,
    /// Output divider as printed ("2", "1/2"), where it is not 1.
    pub output_divider: Option<String>,
    /// Output frequency as printed.
    pub output: String,
}

impl Plot {
    /// Panels, from top to bottom, over an abscissa.
    pub fn new(x: Axis, panels: Vec<Panel>) -> Self {
        Self { x, panels }
    }

    /// Panels over a logarithmic abscissa whose range comes from the curves.
    pub fn log_x(label: &str, unit: Unit, panels: Vec<Panel>) -> Self {
        Self::new(Axis::log(label, unit), panels)
    }

    /// Panels over a linear abscissa whose range comes from the curves.
    pub fn linear_x(label: &str, unit: Unit, panels: Vec<Panel>) -> Self {
        Self::new(Axis::linear(label, unit), panels)
    }
}

impl Panel {
    /// A panel without marks.
    pub fn new(y: Axis, curves: Vec<Curve>) -> Self {
        Self { y, curves, marks: Vec::new() }
    }

    /// The panel with these marks.
    #[must_use]
    pub fn with_marks(mut self, marks: impl IntoIterator<Item = Mark>) -> Self {
        self.marks.extend(marks);
        self
    }
}

impl Axis {
    /// A linear axis whose range comes from the curves.
    pub fn linear(label: &str, unit: Unit) -> Self {
        Self { label: label.to_owned(), unit, scale: Scale::Linear, range: None }
    }

    /// A logarithmic axis whose range comes from the curves.
    pub fn log(label: &str, unit: Unit) -> Self {
        Self { label: label.to_owned(), unit, scale: Scale::Log, range: None }
    }

    /// The axis with this range, in its unit.
    #[must_use]
    pub fn from_to(mut self, from: f64, to: f64) -> Self {
        self.range = Some((from, to));
        self
    }
}

impl Curve {
    /// A curve through points ascending in x.
    pub fn new(name: &str, role: Role, points: Vec<(f64, f64)>) -> Self {
        Self { name: name.to_owned(), role, points }
    }

    /// A curve from its abscissas and ordinates; of lists of different length the longer one is cut.
    pub fn from_columns(name: &str, role: Role, x: &[f64], y: &[f64]) -> Self {
        Self::new(name, role, x.iter().copied().zip(y.iter().copied()).collect())
    }
}

impl Mark {
    /// A vertical line through all panels.
    pub fn vertical(x: f64, label: &str) -> Self {
        Mark::Vertical { x, label: label.to_owned() }
    }

    /// A horizontal line.
    pub fn horizontal(y: f64, label: &str) -> Self {
        Mark::Horizontal { y, label: label.to_owned() }
    }

    /// A point on a curve.
    pub fn point(x: f64, y: f64, label: &str) -> Self {
        Mark::Point { x, y, label: label.to_owned() }
    }

    /// A discrete line of a spectrum, with words at its head and words for the legend, which others may share.
    pub fn line(x: f64, y: f64, role: Role, label: &str, legend: &str) -> Self {
        Mark::Line { x, y, role, label: label.to_owned(), legend: legend.to_owned() }
    }

    /// A limit through these corners that the curve must stay below.
    pub fn mask(points: Vec<(f64, f64)>, label: &str) -> Self {
        Mark::Mask { points, label: label.to_owned() }
    }

    /// A range of the abscissa.
    pub fn span(from: f64, to: f64, label: &str) -> Self {
        Mark::Span { from, to, label: label.to_owned() }
    }
}
