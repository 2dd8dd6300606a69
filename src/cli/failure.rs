//! How a verb fails: one clear line and an exit code of sysexits.

/// What goes to stderr, and the exit code.
#[derive(Debug)]
pub(crate) struct Failure {
    /// Of sysexits.
    pub code: u8,
    /// For the operator; no newline at the end.
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
