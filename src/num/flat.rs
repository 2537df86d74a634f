//! Values laid out as bytes and picked up again, bit for bit: for what is kept from one run to the next.

/// A value that can be laid out as bytes.
pub trait Flat: Sized {
    /// Appends it.
    fn lay(&self, out: &mut Vec<u8>);
    /// Takes one off the front; `None` where the bytes are not one.
    fn pick(from: &mut &[u8]) -> Option<Self>;
}

/// A value as bytes.
pub fn bytes(value: &impl Flat) -> Vec<u8> {
    let mut out = Vec::new();
    value.lay(&mut out);
    out
}

/// The value that these bytes, all of them, are.
pub fn value<T: Flat>(mut bytes: &[u8]) -> Option<T> {
    let found = T::pick(&mut bytes)?;
    bytes.is_empty().then_some(found)
}

/// Takes bytes off the front.
fn take<const N: usize>(from: &mut &[u8]) -> Option<[u8; N]> {
    let (first, rest) = from.split_first_chunk::<N>()?;
    *from = rest;
    Some(*first)
}

/// A structure, field by field in the order named.
macro_rules! flat {
    ($name:ident { $($field:ident),+ $(,)? }) => {
        impl $crate::num::flat::Flat for $name {
            fn lay(&self, out: &mut Vec<u8>) {
                // No field can be forgotten: the pattern names all.
                let Self { $($field),+ } = self;
                $($crate::num::flat::Flat::lay($field, out);)+
            }
            fn pick(from: &mut &[u8]) -> Option<Self> {
                Some(Self { $($field: $crate::num::flat::Flat::pick(from)?),+ })
            }
        }
    };
}

/// An enumeration without contents, by the place of each value in a list of all.
macro_rules! flat_words {
    ($name:ident: $($word:ident),+ $(,)?) => {
        impl $crate::num::flat::Flat for $name {
            fn lay(&self, out: &mut Vec<u8>) {
                let all = [$(Self::$word),+];
                // No value can be forgotten: the match names all.
                let place = match self {
                    $(Self::$word)|+ => all.iter().position(|known| known == self),
                };
                $crate::num::flat::Flat::lay(&place.unwrap_or(all.len()), out);
            }
            fn pick(from: &mut &[u8]) -> Option<Self> {
                let place = <usize as $crate::num::flat::Flat>::pick(from)?;
                [$(Self::$word),+].into_iter().nth(place)
            }
        }
    };
}

/// An enumeration of two, each with one content.
macro_rules! flat_either {
    ($name:ident: $one:ident, $other:ident) => {
        impl $crate::num::flat::Flat for $name {
            fn lay(&self, out: &mut Vec<u8>) {
                let (first, content): (bool, &dyn Fn(&mut Vec<u8>)) = match self {
                    Self::$one(content) => (true, &|out| $crate::num::flat::Flat::lay(content, out)),
                    Self::$other(content) => (false, &|out| $crate::num::flat::Flat::lay(content, out)),
                };
                $crate::num::flat::Flat::lay(&first, out);
                content(out);
            }
            fn pick(from: &mut &[u8]) -> Option<Self> {
                Some(if <bool as $crate::num::flat::Flat>::pick(from)? {
                    Self::$one($crate::num::flat::Flat::pick(from)?)
                } else {
                    Self::$other($crate::num::flat::Flat::pick(from)?)
                })
            }
        }
    };
}

pub(crate) use {flat, flat_either, flat_words};

/// Whole numbers by their bytes, the lowest first.
macro_rules! flat_numbers {
    ($($name:ident),+) => {
        $(impl Flat for $name {
            fn lay(&self, out: &mut Vec<u8>) {
                out.extend_from_slice(&self.to_le_bytes());
            }
            fn pick(from: &mut &[u8]) -> Option<Self> {
                take(from).map(Self::from_le_bytes)
            }
        })+
    };
}

flat_numbers!(u8, u16, u64, i64);

impl Flat for usize {
    fn lay(&self, out: &mut Vec<u8>) {
        (*self as u64).lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        u64::pick(from)?.try_into().ok()
    }
}

impl Flat for bool {
    fn lay(&self, out: &mut Vec<u8>) {
        u8::from(*self).lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        match u8::pick(from)? {
            0 => Some(false),
            1 => Some(true),
            _ => None,
        }
    }
}

impl Flat for f64 {
    fn lay(&self, out: &mut Vec<u8>) {
        self.to_bits().lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        u64::pick(from).map(Self::from_bits)
    }
}

impl Flat for String {
    fn lay(&self, out: &mut Vec<u8>) {
        self.len().lay(out);
        out.extend_from_slice(self.as_bytes());
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        let length = usize::pick(from)?;
        let (text, rest) = from.split_at_checked(length)?;
        *from = rest;
        Self::from_utf8(text.to_vec()).ok()
    }
}

impl<T: Flat> Flat for Option<T> {
    fn lay(&self, out: &mut Vec<u8>) {
        self.is_some().lay(out);
        if let Some(value) = self {
            value.lay(out);
        }
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some(if bool::pick(from)? { Some(T::pick(from)?) } else { None })
    }
}

impl<T: Flat, E: Flat> Flat for Result<T, E> {
    fn lay(&self, out: &mut Vec<u8>) {
        self.is_ok().lay(out);
        match self {
            Ok(value) => value.lay(out),
            Err(why) => why.lay(out),
        }
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some(if bool::pick(from)? { Ok(T::pick(from)?) } else { Err(E::pick(from)?) })
    }
}

impl<T: Flat> Flat for Vec<T> {
    fn lay(&self, out: &mut Vec<u8>) {
        self.len().lay(out);
        for value in self {
            value.lay(out);
        }
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        // Not reserved at once: a length that is not one would ask for all memory there is.
        (0..usize::pick(from)?).map(|_| T::pick(from)).collect()
    }
}

impl<T: Flat> Flat for Box<T> {
    fn lay(&self, out: &mut Vec<u8>) {
        T::lay(self, out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        T::pick(from).map(Self::new)
    }
}

impl<T: Flat, const N: usize> Flat for [T; N] {
    fn lay(&self, out: &mut Vec<u8>) {
        for value in self {
            value.lay(out);
        }
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        let values: Option<Vec<T>> = (0..N).map(|_| T::pick(from)).collect();
        values?.try_into().ok()
    }
}

impl<A: Flat, B: Flat> Flat for (A, B) {
    fn lay(&self, out: &mut Vec<u8>) {
        self.0.lay(out);
        self.1.lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some((A::pick(from)?, B::pick(from)?))
    }
}

impl<A: Flat, B: Flat, C: Flat> Flat for (A, B, C) {
    fn lay(&self, out: &mut Vec<u8>) {
        self.0.lay(out);
        self.1.lay(out);
        self.2.lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some((A::pick(from)?, B::pick(from)?, C::pick(from)?))
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Lays a value out, and finds the same bytes in what is picked up; no shorter text, and no longer one, is a value.
    #[track_caller]
    pub(crate) fn comes_back<T: Flat>(laid: &T) -> T {
        let whole = bytes(laid);
        let found: T = value(&whole).expect("a value");
        assert_eq!(bytes(&found), whole, "bit for bit");
        for length in 0..whole.len() {
            assert!(value::<T>(&whole[..length]).is_none(), "cut off at {length} of {}", whole.len());
        }
        assert!(value::<T>(&[&whole[..], &[0]].concat()).is_none(), "one byte too many");
        found
    }

    #[derive(Debug, PartialEq)]
    struct Pair {
        one: f64,
        other: Option<u64>,
    }
    flat!(Pair { one, other });

    #[derive(Clone, Copy, Debug, PartialEq)]
    enum Word {
        This,
        That,
    }
    flat_words!(Word: This, That);

    #[test]
    fn values_come_back_bit_for_bit() {
        let odd = f64::from_bits(0x7ff8_0000_0000_0123);
        for number in
            [0.0, -0.0, 0.1, f64::NAN, odd, f64::INFINITY, f64::NEG_INFINITY, f64::MIN_POSITIVE / 8.0]
        {
            assert_eq!(comes_back(&number).to_bits(), number.to_bits());
        }
        let pairs = vec![Pair { one: 0.3, other: None }, Pair { one: -0.0, other: Some(u64::MAX) }];
        assert_eq!(comes_back(&pairs), pairs);
        let many: Vec<Result<(bool, String), [i64; 2]>> =
            vec![Ok((true, "\u{3a9}, or none".to_owned())), Ok((false, String::new())), Err([i64::MIN, -1])];
        assert_eq!(comes_back(&many), many);
        let mixed = (7u16, usize::MAX, Some(Box::new(Word::That)));
        assert_eq!(comes_back(&mixed), mixed);
        assert_eq!(comes_back(&[Word::This, Word::That]), [Word::This, Word::That]);
        assert_eq!(comes_back(&Vec::<f64>::new()), Vec::<f64>::new());
    }

    #[test]
    fn what_is_no_value_is_none() {
        assert_eq!(value::<bool>(&[2]), None);
        assert_eq!(value::<Word>(&bytes(&2usize)), None);
        assert_eq!(value::<String>(&[&bytes(&1usize)[..], &[0xff]].concat()), None);
        // As many values as no memory holds.
        assert_eq!(value::<Vec<f64>>(&bytes(&u64::MAX)), None);
        assert_eq!(value::<String>(&bytes(&u64::MAX)), None);
    }
}
