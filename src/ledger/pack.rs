//! Readings, packed so that plain SQL can unpack them.
//!
//! A block holds up to a few hundred readings of one run. Each column is cut
//! down to what differs: reading `k` is `base + step * digits[k]`, where
//! `digits[k]` is so many decimal digits, two to a byte of a BLOB, and none for
//! a column that stands still. `hex()` of the BLOB is those digits as text: that
//! is what the view `reading` cuts them from. Time lies on a line, so its base
//! moves: `base + (k * pitch) / 1000 + digits[k]`, pitch in microseconds.
//!
//! How many digits a reading has is not written: it is `2 * bytes / readings` in
//! whole numbers. At most nine are used. What does not fit into that is cut
//! into smaller blocks, down to one reading, which needs no digits at all: so
//! every number is kept as it came.
//!
//! Measured on the readings of the `years` benchmark: these digits take 2.7
//! bytes a reading; delta, zig-zag, varint and deflate on the same blocks 1.9,
//! and 1.5 on blocks of 4096. That half is not worth a record which nobody can
//! read with the stock shell.

use super::ReadingRow;

/// Most decimal digits for a reading in one column.
const WIDEST: usize = 9;

/// Readings of one run, column by column, all of the same length.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Readings {
    /// Since the run's start.
    pub milliseconds: Vec<i64>,
    pub millivolts: Vec<i64>,
    pub tenth_milliamperes: Vec<i64>,
    pub setpoint_tenth_milliamperes: Vec<i64>,
    /// None in records of before schema 3.
    pub ceiling_millivolts: Vec<Option<i64>>,
    /// None where it was not known.
    pub bath_hundredth_celsius: Vec<Option<i64>>,
}

impl Readings {
    pub fn len(&self) -> usize {
        self.milliseconds.len()
    }

    /// Each reading in plain units.
    pub fn rows(&self) -> impl Iterator<Item = ReadingRow> + '_ {
        (0..self.len()).map(|k| ReadingRow {
            seconds: self.milliseconds[k] as f64 / 1e3,
            volts: self.millivolts[k] as f64 / 1e3,
            amperes: self.tenth_milliamperes[k] as f64 / 1e4,
            setpoint_amperes: self.setpoint_tenth_milliamperes[k] as f64 / 1e4,
            ceiling_volts: self.ceiling_millivolts[k].map(|c| c as f64 / 1e3),
            bath_celsius: self.bath_hundredth_celsius[k].map(|c| c as f64 / 1e2),
        })
    }
}

/// One column of a block.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Column {
    pub base: i64,
    /// What one step of the digits stands for; for time, microseconds from one reading to the next.
    pub step: i64,
    /// Decimal digits, two to a byte; the last half byte is 0 where they are odd.
    pub digits: Vec<u8>,
}

/// What one row of `reading_block` holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Block {
    /// How many readings of the run come before it.
    pub first: i64,
    pub readings: usize,
    pub milliseconds: Column,
    pub millivolts: Column,
    pub tenth_milliamperes: Column,
    pub setpoint_tenth_milliamperes: Column,
    pub ceiling_millivolts: Option<Column>,
    pub bath_hundredth_celsius: Option<Column>,
}

/// All of `readings` in as few blocks as halving finds; `first` readings of the run came before them.
pub(super) fn pack(readings: &Readings, first: i64) -> Vec<Block> {
    let mut blocks = Vec::with_capacity(1);
    cut(readings, 0, readings.len(), first, &mut blocks);
    blocks
}

fn cut(readings: &Readings, from: usize, to: usize, first: i64, into: &mut Vec<Block>) {
    if from == to {
        return;
    }
    match block(readings, from, to, first) {
        Some(block) => into.push(block),
        // One reading alone always fits: this ends.
        None => {
            let half = from + (to - from) / 2;
            cut(readings, from, half, first, into);
            cut(readings, half, to, first, into);
        }
    }
}

fn block(all: &Readings, from: usize, to: usize, first: i64) -> Option<Block> {
    let range = from..to;
    Some(Block {
        first: first + from as i64,
        readings: to - from,
        milliseconds: line(&all.milliseconds[range.clone()])?,
        millivolts: column(&all.millivolts[range.clone()])?,
        tenth_milliamperes: column(&all.tenth_milliamperes[range.clone()])?,
        setpoint_tenth_milliamperes: column(&all.setpoint_tenth_milliamperes[range.clone()])?,
        ceiling_millivolts: sparse(&all.ceiling_millivolts[range.clone()])?,
        bath_hundredth_celsius: sparse(&all.bath_hundredth_celsius[range])?,
    })
}

fn column(values: &[i64]) -> Option<Column> {
    let base = *values.iter().min()?;
    let over: Vec<i128> = values.iter().map(|v| i128::from(*v) - i128::from(base)).collect();
    let step = over.iter().fold(0, |a, b| gcd(a, *b)).max(1);
    let digits = decimal(over.iter().map(|o| o / step))?;
    // SQL counts in 64 bits: so must the widest difference.
    i64::try_from(*over.iter().max()?).ok()?;
    Some(Column { base, step: i64::try_from(step).ok()?, digits })
}

/// All there or none there.
fn sparse(values: &[Option<i64>]) -> Option<Option<Column>> {
    let there: Vec<i64> = values.iter().copied().flatten().collect();
    match there.len() {
        0 => Some(None),
        n if n == values.len() => column(&there).map(Some),
        _ => None,
    }
}

/// Times near a line through the first and the last.
fn line(times: &[i64]) -> Option<Column> {
    let (first, last) = (i128::from(*times.first()?), i128::from(*times.last()?));
    let pitch = ((last - first) * 1000 / (times.len() as i128 - 1).max(1)).max(0);
    let off: Vec<i128> = times.iter().zip(0i128..).map(|(t, k)| i128::from(*t) - k * pitch / 1000).collect();
    let base = *off.iter().min()?;
    let digits = decimal(off.iter().map(|o| o - base))?;
    // SQL counts in 64 bits: so must the last reading's way from the base.
    i64::try_from(pitch * times.len() as i128).ok()?;
    Some(Column { base: i64::try_from(base).ok()?, step: i64::try_from(pitch).ok()?, digits })
}

/// As many digits for each as the widest needs; `None` if those are more than nine.
fn decimal(values: impl Iterator<Item = i128> + Clone) -> Option<Vec<u8>> {
    let most = values.clone().max()?;
    let width = (0..=WIDEST).find(|w| most < 10i128.pow(*w as u32))?;
    let mut bytes = Vec::new();
    let mut high = true;
    for value in values {
        for place in (0..width as u32).rev() {
            let digit = (value / 10i128.pow(place) % 10) as u8;
            match bytes.last_mut().filter(|_| !high) {
                Some(last) => *last |= digit,
                None => bytes.push(digit << 4),
            }
            high = !high;
        }
    }
    Some(bytes)
}

fn gcd(mut a: i128, mut b: i128) -> i128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

impl Block {
    /// Puts its readings after those that are there. `None`, and nothing is put, if it is not a
    /// block: lengths that do not fit, or numbers beyond 64 bits.
    pub fn unpack(&self, into: &mut Readings) -> Option<()> {
        let plain = |column: &Column| {
            column
                .values(self.readings, |_, digits| column.base.checked_add(column.step.checked_mul(digits)?))
        };
        let sparse = |column: &Option<Column>| match column {
            Some(column) => Some(plain(column)?.into_iter().map(Some).collect()),
            None => Some(vec![None; self.readings]),
        };
        let time = &self.milliseconds;
        let milliseconds = time.values(self.readings, |k, digits| {
            time.base.checked_add(k.checked_mul(time.step)? / 1000)?.checked_add(digits)
        })?;
        let (volts, amps) = (plain(&self.millivolts)?, plain(&self.tenth_milliamperes)?);
        let setpoint = plain(&self.setpoint_tenth_milliamperes)?;
        let (ceiling, bath) = (sparse(&self.ceiling_millivolts)?, sparse(&self.bath_hundredth_celsius)?);
        into.milliseconds.extend(milliseconds);
        into.millivolts.extend(volts);
        into.tenth_milliamperes.extend(amps);
        into.setpoint_tenth_milliamperes.extend(setpoint);
        into.ceiling_millivolts.extend::<Vec<_>>(ceiling);
        into.bath_hundredth_celsius.extend::<Vec<_>>(bath);
        Some(())
    }
}

impl Column {
    fn values(&self, readings: usize, value: impl Fn(i64, i64) -> Option<i64>) -> Option<Vec<i64>> {
        let width = (2 * self.digits.len()).checked_div(readings)?;
        if width > WIDEST || self.digits.len() != (width * readings).div_ceil(2) {
            return None;
        }
        let digit = |n: usize| i64::from(self.digits[n / 2] >> if n.is_multiple_of(2) { 4 } else { 0 } & 0xF);
        (0..readings)
            .map(|k| {
                let mut sum = 0;
                for n in k * width..(k + 1) * width {
                    sum = sum * 10 + Some(digit(n)).filter(|d| *d < 10)?;
                }
                value(k as i64, sum)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn round(readings: &Readings) -> Vec<Block> {
        let blocks = pack(readings, 7);
        let mut back = Readings::default();
        let mut first = 7;
        for block in &blocks {
            assert_eq!(block.first, first);
            first += block.readings as i64;
            block.unpack(&mut back).unwrap();
        }
        assert_eq!(&back, readings);
        blocks
    }

    /// A steady hour's part: 200 ms with a millisecond or two of jitter, a few counts of noise.
    fn steady(n: i64) -> Readings {
        let wobble = |k: i64, most: i64| (k * k * 7 + k * 13) % most;
        Readings {
            milliseconds: (0..n).map(|k| 60_000 + 200 * k + wobble(k, 4)).collect(),
            millivolts: (0..n).map(|k| 3_200 + wobble(k, 9)).collect(),
            tenth_milliamperes: (0..n).map(|k| 28_000 + 10 * (k % 5)).collect(),
            setpoint_tenth_milliamperes: vec![28_000; n as usize],
            ceiling_millivolts: vec![Some(6_000); n as usize],
            bath_hundredth_celsius: vec![Some(5_425); n as usize],
        }
    }

    #[test]
    fn a_steady_chunk_takes_a_digit_for_each_thing_that_moves_and_none_for_what_stands_still() {
        let blocks = round(&steady(256));
        assert_eq!(blocks.len(), 1);
        let bytes = |c: &Column| c.digits.len();
        let b = &blocks[0];
        assert_eq!((bytes(&b.milliseconds), bytes(&b.millivolts)), (128, 128));
        assert_eq!((bytes(&b.tenth_milliamperes), b.tenth_milliamperes.step), (128, 10));
        assert_eq!(bytes(&b.setpoint_tenth_milliamperes), 0);
        assert_eq!(b.bath_hundredth_celsius.as_ref().map(bytes), Some(0));
    }

    #[test]
    fn what_is_too_wide_for_a_block_is_cut_and_not_rounded() {
        let mut wide = steady(64);
        wide.millivolts[40] += 1_000_001;
        wide.milliseconds[50..].iter_mut().for_each(|t| *t += 3_600_000);
        wide.bath_hundredth_celsius[3] = None;
        assert!(round(&wide).len() > 3);
    }

    #[test]
    fn digits_that_do_not_fit_their_readings_are_refused_whole() {
        let mut block = pack(&steady(10), 0).remove(0);
        block.bath_hundredth_celsius = Some(Column { base: 0, step: 1, digits: vec![0; 3] });
        let mut into = Readings::default();
        assert_eq!(block.unpack(&mut into), None);
        assert_eq!(into, Readings::default());
        let mut block = pack(&steady(10), 0).remove(0);
        block.millivolts.base = i64::MAX;
        assert_eq!(block.unpack(&mut into), None);
        block.readings = 0;
        assert_eq!(block.unpack(&mut into), None);
    }

    fn number() -> impl Strategy<Value = i64> {
        prop_oneof![5 => -200_000i64..200_000, 1 => any::<i64>(), 1 => Just(i64::MIN), 1 => Just(i64::MAX)]
    }

    proptest! {
        /// Whatever was read, however absurd, comes back as it was.
        #[test]
        fn any_readings_come_back_as_they_were(
            rows in prop::collection::vec(
                (number(), number(), number(), number(), prop::option::of(number()), prop::option::of(number())), 0..60)
        ) {
            let mut readings = Readings::default();
            for (t, v, a, s, c, b) in rows {
                readings.milliseconds.push(t);
                readings.millivolts.push(v);
                readings.tenth_milliamperes.push(a);
                readings.setpoint_tenth_milliamperes.push(s);
                readings.ceiling_millivolts.push(c);
                readings.bath_hundredth_celsius.push(b);
            }
            round(&readings);
        }

        /// As above, with readings as a supply gives them.
        #[test]
        fn readings_with_noise_and_gaps_come_back_as_they_were(
            steps in prop::collection::vec((0i64..700, -40i64..40, -300i64..300, 0i64..3), 1..400),
            gap in prop::option::of((0usize..400, 0i64..10_000_000)),
        ) {
            let mut readings = Readings::default();
            let mut t = 0;
            for (k, (dt, v, a, s)) in steps.iter().enumerate() {
                t += dt + gap.filter(|g| g.0 == k).map_or(0, |g| g.1);
                readings.milliseconds.push(t);
                readings.millivolts.push(3_000 + v);
                readings.tenth_milliamperes.push(28_000 + a);
                readings.setpoint_tenth_milliamperes.push(28_000 + s * 1_000);
                readings.ceiling_millivolts.push(Some(6_000));
                readings.bath_hundredth_celsius.push((*s > 0).then_some(5_400));
            }
            round(&readings);
        }
    }
}
