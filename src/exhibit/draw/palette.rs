//! How curves look: fixed by what they stand for, so that the oscillator looks the same in every figure.
//!
//! Colours were tried on white, in colour and in grey; dash patterns tell curves apart where colours don't.

use super::scene::{Colour, Stroke};
use crate::exhibit::figure::{Role, Shade};

/// The look of the `nth` curve of this role in a panel (from 0): colour and width of the role; later ones have
/// dots between their dashes.
pub(super) fn stroke(role: Role, nth: usize) -> Stroke {
    let (colour, width, pattern): (Colour, f64, &[f64]) = match role {
        Role::Total => (Colour(0x00, 0x72, 0xB2), 2.0, &[]),
        Role::Reference => (Colour(0x00, 0x9E, 0x73), 1.25, &[6.0, 3.0]),
        Role::Oscillator => (Colour(0xD5, 0x5E, 0x00), 1.25, &[10.0, 3.0]),
        Role::Detector => (Colour(0xCC, 0x79, 0xA7), 1.25, &[4.0, 2.0]),
        Role::Modulator => (Colour(0x56, 0xB4, 0xE9), 1.25, &[8.0, 2.0]),
        Role::Filter => (Colour(0x70, 0x70, 0x70), 1.25, &[2.0, 2.0]),
        Role::Output => (Colour(0xB0, 0x7A, 0x00), 1.25, &[1.0, 2.0]),
        Role::Supply => (Colour(0x6B, 0x3F, 0xA0), 1.25, &[6.0, 2.0, 1.0, 2.0]),
        Role::Others => (Colour(0x8A, 0x8F, 0x94), 1.25, &[3.0, 3.0, 1.0, 3.0]),
        Role::Second => (Colour(0x44, 0x4E, 0x58), 1.25, &[5.0, 2.0]),
        Role::Measured => (Colour(0x6A, 0x70, 0x76), 0.7, &[]),
    };
    let dash = match (nth, pattern) {
        (0, pattern) => pattern.to_vec(),
        (n, []) => {
            let mut dash = vec![14.0, 2.5];
            dash.extend([2.5, 2.5].repeat(n - 1));
            dash
        }
        (n, pattern) => {
            let mut dash = pattern.to_vec();
            dash.extend([0.8, 2.0].repeat(n));
            dash
        }
    };
    Stroke { colour, width, dash }
}

/// The look of the `nth` boundary of a map (from 0).
pub(super) fn boundary(nth: usize) -> Stroke {
    const LOOKS: [(Colour, &[f64]); 6] = [
        (Colour(0x00, 0x72, 0xB2), &[]),
        (Colour(0xD5, 0x5E, 0x00), &[7.0, 2.5]),
        (Colour(0x6B, 0x3F, 0xA0), &[2.0, 2.0]),
        (Colour(0x00, 0x9E, 0x73), &[9.0, 2.0, 2.0, 2.0]),
        (Colour(0xB0, 0x7A, 0x00), &[4.0, 1.5]),
        (Colour(0x44, 0x4E, 0x58), &[1.0, 1.8]),
    ];
    let (colour, dash) = LOOKS[nth % LOOKS.len()];
    let rest = [0.8, 2.0].repeat(if dash.is_empty() { 0 } else { nth / LOOKS.len() });
    Stroke { colour, width: 1.4, dash: dash.iter().copied().chain(rest).collect() }
}

/// Fill of a shaded area.
pub(super) fn shade(shade: Shade) -> Colour {
    match shade {
        Shade::Allowed => Colour(0xDC, 0xEE, 0xE2),
        Shade::Impossible => Colour(0xE9, 0xE9, 0xEB),
    }
}

/// Fill of a bar of this role.
pub(super) fn fill(role: Role) -> Colour {
    stroke(role, 0).colour
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) const ROLES: [Role; 11] = [
        Role::Total,
        Role::Reference,
        Role::Oscillator,
        Role::Detector,
        Role::Modulator,
        Role::Filter,
        Role::Supply,
        Role::Output,
        Role::Others,
        Role::Second,
        Role::Measured,
    ];

    #[test]
    fn curves_are_told_apart_in_grey() {
        let looks: Vec<_> =
            ROLES.iter().flat_map(|role| (0..4).map(|n| (*role, n, stroke(*role, n)))).collect();
        for (i, (role, nth, a)) in looks.iter().enumerate() {
            for (other, n, b) in &looks[..i] {
                // The measured trace and the total are both solid: their widths are far apart.
                assert!(
                    a.dash != b.dash || a.width > 2.0 * b.width || b.width > 2.0 * a.width,
                    "{role:?} {nth}, {other:?} {n}"
                );
            }
        }
    }

    #[test]
    fn the_colours_of_the_house_rule() {
        let of = |role| stroke(role, 0).colour;
        let Colour(r, g, b) = of(Role::Reference);
        assert!(g > r && g > b, "the reference is not red");
        let Colour(r, _, b) = of(Role::Oscillator);
        assert!(r > b, "the oscillator is not blue");
        let Colour(r, g, b) = of(Role::Total);
        assert!(u32::from(r) + u32::from(g) + u32::from(b) > 200, "the total is not black");
        let all: Vec<Colour> = ROLES.into_iter().map(of).collect();
        assert!(all.iter().enumerate().all(|(i, c)| !all[..i].contains(c)));
    }
}
