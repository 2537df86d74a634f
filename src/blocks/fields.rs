//! Field lists that several kinds share.

use crate::note::schema::{Field, Need, Type};
use crate::units::Unit;

/// Shorthand for a field that may be absent.
pub(super) const fn optional(name: &'static str, kind: Type, says: &'static str) -> Field {
    Field { name, kind, need: Need::Optional, says }
}

/// Shorthand for a field that must be there.
pub(super) const fn required(name: &'static str, kind: Type, says: &'static str) -> Field {
    Field { name, kind, need: Need::Required, says }
}

/// Shorthand for a field with a default.
pub(super) const fn default(name: &'static str, kind: Type, text: &'static str, says: &'static str) -> Field {
    Field { name, kind, need: Need::Default(text), says }
}

/// What every block takes.
pub static COMMON: &[Field] = &[
    optional("caption", Type::Prose, "caption of the block's first figure or table, in place of ours"),
    default(
        "audience",
        Type::Word(&["public", "internal"]),
        "public",
        "`internal` leaves the block out of the customer edition",
    ),
    optional(
        "show",
        Type::List(&Type::Word(&["figure", "table"])),
        "which of its exhibits the document shows; absent: all",
    ),
];

/// What every block that states facts takes besides.
pub static FACTS: &[Field] = &[
    optional("from", Type::File, "part file whose fields hold where the block has none of its own"),
    optional("source", Type::Text, "where the facts come from"),
    optional(
        "basis",
        Type::Word(&["measured", "guaranteed", "typical", "assumed"]),
        "how far the facts can be trusted",
    ),
    optional(
        "record",
        Type::Entries(&Type::Either(&[Type::AnyQuantity, Type::Number, Type::Text])),
        "further facts, for prose and requirements only",
    ),
];

/// A phase-noise table: dBc/Hz over offset.
pub static NOISE_TABLE: Type = Type::Table(Unit::Hertz, Unit::DecibelCarrierPerHertz);

static NOISE_FILE: &[Field] = &[required("file", Type::File, "CSV file: offset and level")];
static NOISE_OF: &[Field] = &[required(
    "of",
    Type::Block(&["loop", "phase_noise"]),
    "loop, or phase_noise block, whose total this is",
)];
static NOISE_CARRIER: &[Field] = &[
    required("at", Type::Quantity(Unit::Hertz), "carrier of this table"),
    required("table", Type::Either(&[NOISE_TABLE, Type::Group(NOISE_FILE)]), "levels over offset"),
];

/// All forms of phase noise: a table, a file, tables at several carriers, the total of another loop.
pub static PHASE_NOISE: Type = Type::Either(&[
    NOISE_TABLE,
    Type::Group(NOISE_FILE),
    Type::Group(NOISE_OF),
    Type::List(&Type::Group(NOISE_CARRIER)),
]);

/// A floor: one level, or levels over offset.
pub static OUTPUT_FLOOR: Type = Type::Either(&[Type::Quantity(Unit::DecibelCarrierPerHertz), NOISE_TABLE]);

/// Values of a divider: a range, a list or one value.
pub static DIVIDER: Type = Type::Either(&[Type::Integer, Type::IntegerRange, Type::List(&Type::Integer)]);
