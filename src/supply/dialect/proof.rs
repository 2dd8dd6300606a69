//! Whether anything proves the order of words of numbers that take two registers.

use super::modbus::Modbus;
use super::number::{Form, WordOrder};
use super::{Dialect, Kind};

impl Dialect {
    /// The orders of words that numbers of this dialect go by and that its `[modbus.known]` does not prove, as they
    /// stand in the file: `float = "ABCD"`. `None` if there are none.
    pub fn unproved(&self) -> Option<String> {
        let Kind::Modbus(modbus) = &self.kind else { return None };
        let open = orders(modbus).into_iter().flatten().filter(|form| !proves(modbus, *form));
        let named: Vec<_> = open.filter_map(named).collect();
        (!named.is_empty()).then(|| named.join(", "))
    }

    /// Its name, and the orders of words that it goes by: what a commissioning was of. After an order was changed it
    /// is another.
    pub fn title(&self) -> String {
        let Kind::Modbus(modbus) = &self.kind else { return self.name.clone() };
        let named: Vec<_> = orders(modbus).into_iter().flatten().filter_map(named).collect();
        if named.is_empty() { self.name.clone() } else { format!("{} ({})", self.name, named.join(", ")) }
    }

    /// What `check` says of it, with file and line.
    pub(super) fn unproved_doubt(&self) -> Option<String> {
        let orders = self.unproved()?;
        let two = |line: &&str| {
            let line = line.split('#').next().unwrap_or_default();
            line.contains("type") && ["f32", "u32", "i32"].iter().any(|t| line.contains(&format!("\"{t}\"")))
        };
        let line = self.source.lines().position(|line| two(&line)).map_or(1, |at| at + 1);
        Some(format!(
            "{}.toml:{line}: numbers of two registers, and nothing proves the order of their words ({orders}): with a \
             wrong one the supply is sent wild setpoints. No run starts on it until [modbus.known] names a register that \
             never changes, or the station's supply has passed `tankside probe --commission` with this dialect",
            self.name
        ))
    }
}

/// The first form that goes by the floats' order, and the first that goes by the long whole numbers'.
fn orders(m: &Modbus) -> [Option<Form>; 2] {
    let numbers = [m.volts, m.amps, m.set_volts_read, m.set_amps_read, m.set_volts, m.set_amps];
    let others = [m.over_voltage, m.over_current, m.watchdog.map(|w| w.scaled)];
    let all = || numbers.into_iter().chain(others.into_iter().flatten()).map(|s| s.form);
    let float = |form: &Form| matches!(form, Form::F32(_));
    [all().find(float), all().find(|form| form.count() == 2 && !float(form))]
}

/// Whether the known value goes by the same order and would be another in any other.
fn proves(m: &Modbus, form: Form) -> bool {
    let Some(known) = m.known else { return false };
    let by: fn(WordOrder) -> Form = match (known.scaled.form, form) {
        (Form::F32(_), Form::F32(_)) => Form::F32,
        (Form::U32(_), Form::U32(_) | Form::I32(_)) => Form::U32,
        (Form::I32(_), Form::U32(_) | Form::I32(_)) => Form::I32,
        _ => return false,
    };
    let Some(words) = known.scaled.form.encode(known.value) else { return false };
    WordOrder::ALL.into_iter().filter(|order| by(*order).decode(&words) == Some(known.value)).count() == 1
}

fn named(form: Form) -> Option<String> {
    match form {
        Form::U16 | Form::I16 => None,
        Form::F32(order) => Some(format!("float = \"{}\"", order.name())),
        Form::U32(order) | Form::I32(order) => Some(format!("long = \"{}\"", order.name())),
    }
}

#[cfg(test)]
mod tests {
    use super::super::parse;

    fn float(known: &str) -> super::Dialect {
        let shipped = include_str!("../../../config/dialects/modbus-example.toml");
        let (text, _) = shipped.split_once("\n[modbus.known]\n").unwrap();
        // The last number that is read, so that nothing overlaps.
        let text = text.replace(
            "set-amps = { register = 22, scale = \"1 mA\" }",
            "set-amps = { register = 22, scale = \"1 A\", type = \"f32\" }",
        );
        parse(&format!("{text}{known}"), "mine.toml").unwrap_or_else(|p| panic!("{p:#?}"))
    }

    #[test]
    fn an_order_of_words_that_nothing_proves_is_named_with_its_place() {
        let bare = float("");
        assert_eq!(bare.unproved().as_deref(), Some("float = \"ABCD\""));
        assert_eq!(bare.title(), "mine (float = \"ABCD\")");
        let doubts = bare.doubts().join("\n");
        let line = bare.source.lines().position(|l| l.contains("\"f32\" }")).unwrap() + 1;
        assert!(doubts.contains(&format!("mine.toml:{line}: numbers of two registers")), "{doubts}");
        let known = "\n[modbus.known]\ntable = \"holding\"\nregister = 48\n";
        // Zero reads the same in every order, and a whole number says nothing of floats.
        for proof in ["type = \"f32\"\nvalue = 0.0\n", "value = 7\n"] {
            assert!(float(&format!("{known}{proof}")).unproved().is_some(), "{proof}");
        }
        assert_eq!(float(&format!("{known}type = \"f32\"\nvalue = 123456.0\n")).unproved(), None);
    }

    #[test]
    fn shipped_dialects_need_no_proof() {
        for dialect in super::super::shipped() {
            assert_eq!(dialect.unproved(), None, "{}", dialect.name);
        }
    }
}
