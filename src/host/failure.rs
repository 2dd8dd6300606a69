//! How things fail: clear lines for the operator and an exit code of sysexits.

/// Why it cannot be done, for the operator; a program may go by the code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// Of sysexits; 1 where none of them fits.
    pub code: u8,
    /// One line, or one for each problem; no newline at the end.
    pub text: String,
}

impl Failure {
    /// The daemon, the plan or the station says no.
    pub(crate) fn refused(text: impl Into<String>) -> Failure {
        Failure { code: 1, text: text.into() }
    }
    /// The command line is wrong (EX_USAGE).
    pub(crate) fn usage(text: impl Into<String>) -> Failure {
        Failure { code: 64, text: text.into() }
    }
    /// What is on record does not fit (EX_DATAERR).
    pub(crate) fn data(text: impl Into<String>) -> Failure {
        Failure { code: 65, text: text.into() }
    }
    /// Nobody answers (EX_UNAVAILABLE).
    pub(crate) fn unreachable(text: impl Into<String>) -> Failure {
        Failure { code: 69, text: text.into() }
    }
    /// Our mistake (EX_SOFTWARE).
    pub(crate) fn bug(text: impl Into<String>) -> Failure {
        Failure { code: 70, text: text.into() }
    }
    /// The ledger cannot be read or written (EX_CANTCREAT).
    pub(crate) fn ledger(text: impl Into<String>) -> Failure {
        Failure { code: 73, text: text.into() }
    }
    /// Not allowed (EX_NOPERM).
    pub(crate) fn permission(text: impl Into<String>) -> Failure {
        Failure { code: 77, text: text.into() }
    }
    /// The config or an order file is wrong (EX_CONFIG).
    pub(crate) fn config(text: impl Into<String>) -> Failure {
        Failure { code: 78, text: text.into() }
    }
}

/// What a verb returns.
pub(crate) type Done = Result<(), Failure>;

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.text)
    }
}

impl std::error::Error for Failure {}
