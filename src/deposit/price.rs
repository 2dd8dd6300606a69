//! What metal costs, as the user says.

use crate::quantity::{Mass, QuantityError};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;
use std::str::FromStr;

/// Money per mass of metal: `"0.95 EUR/g"`, `"17 per kg"`. The currency is a
/// word that is shown again and never converted.
#[derive(Clone, Debug, PartialEq)]
pub struct Price {
    amount: f64,
    currency: String,
    unit: String,
    grams: f64,
}

/// Why a text is no price.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PriceError {
    text: String,
}

impl PriceError {
    /// What is wrong.
    pub fn wrong(&self) -> String {
        format!("{:?} is no price", self.text)
    }
    /// What would be right.
    pub fn remedy(&self) -> &'static str {
        "write an amount above zero, a currency and a mass, such as \"0.95 EUR/g\" or \"17 USD/kg\""
    }
}

impl fmt::Display for PriceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.wrong(), self.remedy())
    }
}

impl std::error::Error for PriceError {}

impl FromStr for Price {
    type Err = PriceError;

    fn from_str(text: &str) -> Result<Price, PriceError> {
        let bad = || PriceError { text: text.trim().into() };
        let (money, unit) =
            text.trim().split_once('/').or_else(|| text.trim().split_once(" per ")).ok_or_else(bad)?;
        let unit = unit.trim();
        let mass: Result<Mass, QuantityError> = format!("1 {unit}").parse();
        let grams = mass.map_err(|_| bad())?.get();
        let money = money.trim();
        let end = money.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(money.len());
        let amount: f64 = money[..end].parse().map_err(|_| bad())?;
        let currency = money[end..].trim();
        let named = currency.chars().all(|c| c.is_alphabetic() || "€$£¥".contains(c));
        if !(amount > 0.0 && amount <= 1e9 && named) {
            return Err(bad());
        }
        Ok(Price { amount, currency: currency.into(), unit: unit.into(), grams })
    }
}

impl fmt::Display for Price {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let space = if self.currency.is_empty() { "" } else { " " };
        write!(f, "{}{space}{}/{}", self.amount, self.currency, self.unit)
    }
}

impl Price {
    /// What that much metal is worth, in the price's currency.
    pub fn of(&self, mass: Mass) -> f64 {
        mass.get() / self.grams * self.amount
    }

    /// An amount of money with its currency, to the hundredth.
    pub fn show(&self, money: f64) -> String {
        format!("{money:.2} {}", self.currency).trim_end().to_owned()
    }
}

impl Serialize for Price {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Price {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Price, D::Error> {
        String::deserialize(d)?.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_price_is_money_per_mass() {
        let gold: Price = "95 EUR/g".parse().unwrap();
        assert!((gold.of(Mass::new(0.5)) - 47.5).abs() < 1e-9);
        let nickel: Price = "17.5 USD per kg".parse().unwrap();
        assert!((nickel.of(Mass::new(20.0)) - 0.35).abs() < 1e-12);
        assert_eq!(nickel.show(0.35), "0.35 USD");
        assert_eq!("3/g".parse::<Price>().unwrap().show(1.0), "1.00");
        for price in [&gold, &nickel] {
            assert_eq!(price.to_string().parse::<Price>().unwrap(), *price);
        }
        for bad in
            ["", "95", "95 EUR", "-1 EUR/g", "0 EUR/g", "95 EUR/V", "inf EUR/g", "1e400 EUR/g", "nan/g"]
        {
            let said = bad.parse::<Price>().unwrap_err().to_string();
            assert!(said.contains("is no price; write an amount above zero"), "{bad}");
        }
    }
}
