//! What every document says of its own limits.

/// Effects the model leaves out, with what that means for the reader.
pub const LEFT_OUT: [&str; 6] = [
    "Dielectric absorption, leakage and voltage coefficient of the filter's capacitors: settling has no slow tail, \
     and the network is the same at every tuning voltage.",
    "Vibration: no sensitivity of standard, oscillator or capacitors to acceleration.",
    "Pulling of the oscillator by its load or by a neighbouring signal.",
    "Noise on the supply of charge pump and dividers; only the oscillator's supply is followed.",
    "Non-linearity of the charge pump beyond the mismatch of its two sources.",
    "Coupling over the board: a reference spur stated here is a lower bound.",
];

/// Cautions: a heading and a sentence each.
pub const CAUTIONS: [(&str, &str); 4] = [
    (
        "Radio licensing and local rules",
        "A transmitter, and in many places a receiver's radiated oscillator, needs a licence or an approval. This \
         document judges requirements it was given; it does not show conformity with the rules of any country.",
    ),
    (
        "Confirm on the bench",
        "Every number here is computed from the facts in the appendix of inputs. Measure phase noise, spurs, margins \
         and settling on built units, over temperature, before the design is released.",
    ),
    (
        "Qualified review",
        "The document supports a review by a qualified engineer and does not replace one. It must not be the only \
         basis of a decision on which the safety of people depends.",
    ),
    (
        "Typical and assumed facts",
        "A verdict is no better than the facts under it. Where the basis of a fact is typical or assumed, a margin \
         may vanish with the next batch of parts.",
    ),
];
