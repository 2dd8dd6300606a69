//! Molar masses from chemical formulae: how much metal is in a salt.

use std::fmt;

/// g/mol: IUPAC standard atomic weights, abridged, written from memory and checked in
/// `tests/trade.rs` against a general reference (the `mendeleev` crate). The elements that
/// plating salts are made of.
pub static ELEMENTS: &[(&str, &str, f64)] = &[
    ("H", "hydrogen", 1.008),
    ("B", "boron", 10.81),
    ("C", "carbon", 12.011),
    ("N", "nitrogen", 14.007),
    ("O", "oxygen", 15.999),
    ("F", "fluorine", 18.998),
    ("Na", "sodium", 22.990),
    ("Si", "silicon", 28.085),
    ("P", "phosphorus", 30.974),
    ("S", "sulfur", 32.06),
    ("Cl", "chlorine", 35.45),
    ("K", "potassium", 39.098),
    ("Cr", "chromium", 51.996),
    ("Fe", "iron", 55.845),
    ("Co", "cobalt", 58.933),
    ("Ni", "nickel", 58.693),
    ("Cu", "copper", 63.546),
    ("Zn", "zinc", 65.38),
    ("Rh", "rhodium", 102.91),
    ("Pd", "palladium", 106.42),
    ("Ag", "silver", 107.87),
    ("Sn", "tin", 118.71),
    ("Pt", "platinum", 195.08),
    ("Au", "gold", 196.97),
];

/// A formula, taken apart: so many of each element.
#[derive(Clone, Debug, PartialEq)]
pub struct Formula {
    text: String,
    atoms: Vec<(usize, f64)>,
}

/// Why a text is no formula.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FormulaError {
    text: String,
    why: String,
}

impl FormulaError {
    /// What is wrong.
    pub fn wrong(&self) -> String {
        format!("{:?} is no formula: {}", self.text, self.why)
    }
    /// What would be right.
    pub fn remedy(&self) -> &'static str {
        "write elements, counts, brackets and water of crystallisation, such as \"NiSO4.6H2O\" or \"KAu(CN)2\""
    }
}

impl fmt::Display for FormulaError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.wrong(), self.remedy())
    }
}

impl std::error::Error for FormulaError {}

impl std::str::FromStr for Formula {
    type Err = FormulaError;

    fn from_str(text: &str) -> Result<Formula, FormulaError> {
        let text = text.trim();
        let bad = |why: String| FormulaError { text: text.into(), why };
        let mut counts = vec![0.0; ELEMENTS.len()];
        for part in text.split(['.', '·', '*']) {
            let digits = part.len() - part.trim_start_matches(|c: char| c.is_ascii_digit()).len();
            let times: f64 = if digits == 0 { 1.0 } else { part[..digits].parse().unwrap_or(0.0) };
            let mut reader = Atoms { rest: part[digits..].chars().peekable() };
            let found = reader.group(0).map_err(bad)?;
            if found.is_empty() {
                return Err(bad("a part of it is empty".into()));
            }
            for (element, count) in found {
                counts[element] += count * times;
            }
        }
        let atoms: Vec<_> = counts.into_iter().enumerate().filter(|(_, n)| *n > 0.0).collect();
        let most = atoms.iter().fold(0.0, |most, (_, n)| n.max(most));
        if most > 1000.0 {
            return Err(bad("a count above a thousand".into()));
        }
        Ok(Formula { text: text.into(), atoms })
    }
}

struct Atoms<'a> {
    rest: std::iter::Peekable<std::str::Chars<'a>>,
}

impl Atoms<'_> {
    fn group(&mut self, depth: u8) -> Result<Vec<(usize, f64)>, String> {
        let mut all = Vec::new();
        while let Some(c) = self.rest.next() {
            match c {
                '(' if depth < 4 => {
                    let inner = self.group(depth + 1)?;
                    let times = self.count()?;
                    all.extend(inner.into_iter().map(|(e, n)| (e, n * times)));
                }
                ')' if depth > 0 => return Ok(all),
                c if c.is_ascii_uppercase() => {
                    let mut symbol = String::from(c);
                    if let Some(small) = self.rest.next_if(char::is_ascii_lowercase) {
                        symbol.push(small);
                    }
                    let Some(at) = ELEMENTS.iter().position(|(s, ..)| *s == symbol) else {
                        return Err(format!("{symbol} is not among the elements known here"));
                    };
                    let count = self.count()?;
                    all.push((at, count));
                }
                other => return Err(format!("{other:?} does not belong there")),
            }
        }
        if depth > 0 { Err("a bracket is not closed".into()) } else { Ok(all) }
    }

    fn count(&mut self) -> Result<f64, String> {
        let mut digits = String::new();
        while let Some(d) = self.rest.next_if(char::is_ascii_digit) {
            digits.push(d);
        }
        match digits.as_str() {
            "" => Ok(1.0),
            "0" => Err("a count of nothing".into()),
            some if some.len() <= 3 => some.parse().map_err(|_| "a count that cannot be read".into()),
            _ => Err("a count above a thousand".into()),
        }
    }
}

impl fmt::Display for Formula {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Formula {
    /// g/mol.
    pub fn molar_mass(&self) -> f64 {
        self.atoms.iter().map(|(e, n)| ELEMENTS[*e].2 * n).sum()
    }

    /// The share of its mass that is that element ("Ni"): 0 to 1.
    pub fn share_of(&self, symbol: &str) -> f64 {
        let mass = |(e, n): &(usize, f64)| if ELEMENTS[*e].0 == symbol { ELEMENTS[*e].2 * n } else { 0.0 };
        self.atoms.iter().map(mass).sum::<f64>() / self.molar_mass()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Worked out by hand from the atomic weights: 58.693 + 32.06 + 4 * 15.999 + 6 * (2 * 1.008 + 15.999).
    #[test]
    fn nickel_in_its_salts_is_by_molar_mass() {
        let sulfate: Formula = "NiSO4.6H2O".parse().unwrap();
        assert!((sulfate.molar_mass() - 262.839).abs() < 1e-3, "{}", sulfate.molar_mass());
        assert!((sulfate.share_of("Ni") - 0.22330).abs() < 1e-5);
        let chloride: Formula = "NiCl2·6H2O".parse().unwrap();
        assert!((chloride.share_of("Ni") - 0.24694).abs() < 1e-5);
        assert!((chloride.share_of("Cl") - 0.29830).abs() < 1e-5);
        let gold: Formula = "KAu(CN)2".parse().unwrap();
        assert!((gold.share_of("Au") - 0.68368).abs() < 1e-5, "{}", gold.share_of("Au"));
        assert_eq!(gold.share_of("Ni"), 0.0);
    }

    #[test]
    fn what_is_no_formula_is_refused_and_never_guessed() {
        for bad in
            ["", "NiSO4.", "nickel", "NiSO4(", "Ni)", "Xx2", "Ni0", "Ni99999", "((((((Ni))))))", "Ni-2"]
        {
            let said = bad.parse::<Formula>().unwrap_err().to_string();
            assert!(said.contains("is no formula") && said.contains("NiSO4.6H2O"), "{bad}: {said}");
        }
    }
}
