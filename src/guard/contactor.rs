//! The upstream contactor: the last resort against a lamp that cannot be stopped.

use crate::units::Level;

use super::permit::Permit;

/// An upstream contactor. It is closed unless a lamp below it could not be stopped; once open it stays open until a
/// person closes it again.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contactor {
    open: Option<String>,
}

impl Contactor {
    /// Closed, or open for the remembered reason.
    pub fn new(open: Option<String>) -> Contactor {
        Contactor { open }
    }

    /// Opens it for a reason a person can read; tells whether it was closed.
    pub fn open(&mut self, why: &str) -> bool {
        if self.open.is_some() {
            return false;
        }
        self.open = Some(why.to_owned());
        true
    }

    /// A person closes it again; tells whether it was open.
    pub fn reset(&mut self) -> bool {
        self.open.take().is_some()
    }

    /// Why it is open, where it is.
    pub fn why_open(&self) -> Option<&str> {
        self.open.as_deref()
    }

    /// What its output may do.
    pub fn permit(&self) -> Permit {
        if self.open.is_some() { Permit::OFF } else { Permit::granted(Level::FULL) }
    }
}
