//! How numbers lie in Modbus registers.

/// How the four bytes A B C D of a 32-bit value, A the most significant, follow each other on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WordOrder {
    /// Most significant word first, most significant byte first.
    Abcd,
    /// Least significant word first.
    Cdab,
    /// Words in order, bytes within each swapped.
    Badc,
    /// Everything reversed.
    Dcba,
}

impl WordOrder {
    /// All four.
    pub const ALL: [WordOrder; 4] = [WordOrder::Abcd, WordOrder::Cdab, WordOrder::Badc, WordOrder::Dcba];

    /// As in the file.
    pub fn name(self) -> &'static str {
        match self {
            WordOrder::Abcd => "ABCD",
            WordOrder::Cdab => "CDAB",
            WordOrder::Badc => "BADC",
            WordOrder::Dcba => "DCBA",
        }
    }

    /// Two registers, as they stand on the wire, into 32 bits.
    pub fn join(self, [first, second]: [u16; 2]) -> u32 {
        let (high, low) = match self {
            WordOrder::Abcd => (first, second),
            WordOrder::Cdab => (second, first),
            WordOrder::Badc => (first.swap_bytes(), second.swap_bytes()),
            WordOrder::Dcba => (second.swap_bytes(), first.swap_bytes()),
        };
        u32::from(high) << 16 | u32::from(low)
    }

    /// 32 bits into two registers.
    pub fn split(self, bits: u32) -> [u16; 2] {
        #[expect(clippy::cast_possible_truncation, reason = "the two halves are taken on purpose")]
        let (high, low) = ((bits >> 16) as u16, bits as u16);
        match self {
            WordOrder::Abcd => [high, low],
            WordOrder::Cdab => [low, high],
            WordOrder::Badc => [high.swap_bytes(), low.swap_bytes()],
            WordOrder::Dcba => [low.swap_bytes(), high.swap_bytes()],
        }
    }
}

/// How a number lies in its registers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Form {
    /// One register, 0 to 65535.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, unsigned.
    U32(WordOrder),
    /// Two registers, two's complement.
    I32(WordOrder),
    /// Two registers, IEEE 754 binary32.
    F32(WordOrder),
}

impl Form {
    /// How many registers it takes.
    pub fn count(self) -> u16 {
        match self {
            Form::U16 | Form::I16 => 1,
            Form::U32(_) | Form::I32(_) | Form::F32(_) => 2,
        }
    }

    /// The number in `words`; `None` if there are not as many as it takes.
    pub fn decode(self, words: &[u16]) -> Option<f64> {
        let pair = || Some([*words.first()?, *words.get(1)?]);
        Some(match self {
            Form::U16 => f64::from(*words.first()?),
            Form::I16 => f64::from(words.first()?.cast_signed()),
            Form::U32(order) => f64::from(order.join(pair()?)),
            Form::I32(order) => f64::from(order.join(pair()?).cast_signed()),
            Form::F32(order) => f64::from(f32::from_bits(order.join(pair()?))),
        })
    }

    /// The registers that hold `value`, a whole number unless the form is a float; `None` if it does not fit.
    pub fn encode(self, value: f64) -> Option<Vec<u16>> {
        let fits = |low: f64, high: f64| (value >= low && value <= high).then_some(value);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "each cast stands behind a check of the range"
        )]
        Some(match self {
            Form::U16 => vec![fits(0.0, 65_535.0)? as u16],
            Form::I16 => vec![(fits(-32_768.0, 32_767.0)? as i16).cast_unsigned()],
            Form::U32(order) => order.split(fits(0.0, f64::from(u32::MAX))? as u32).into(),
            Form::I32(order) => {
                order.split((fits(f64::from(i32::MIN), f64::from(i32::MAX))? as i32).cast_unsigned()).into()
            }
            Form::F32(order) => {
                let float = value as f32;
                if !float.is_finite() {
                    return None;
                }
                order.split(float.to_bits()).into()
            }
        })
    }
}
