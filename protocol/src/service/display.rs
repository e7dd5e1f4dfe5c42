//! One line in plain words for each service-mode instruction.

use core::fmt;

use super::{AddressOnly, DirectAccess, Milliamps, RegisterAccess, ServiceInstruction};

impl fmt::Display for Milliamps {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mA", self.0)
    }
}

impl fmt::Display for DirectAccess {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "direct cv access in service mode: cv {}, {}",
            self.cv, self.operation
        )
    }
}

impl fmt::Display for RegisterAccess {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = if self.write {
            "write"
        } else {
            "verify that it holds"
        };
        write!(
            f,
            "register {} in service mode: {what} {}",
            self.register, self.data
        )
    }
}

impl fmt::Display for AddressOnly {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = if self.write {
            "write"
        } else {
            "verify that it is"
        };
        write!(f, "address only in service mode: {what} {}", self.address)
    }
}

impl ServiceInstruction {
    /// One word for the kind, for programs: it does not change.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Reset => "reset",
            Self::Direct(_) => "service-direct",
            Self::PagePreset => "service-page-preset",
            Self::AddressOnly(_) => "service-address-only",
            Self::Register(_) => "service-register",
        }
    }
}

impl fmt::Display for ServiceInstruction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Reset => f.write_str("reset of all decoders; first step into service mode"),
            Self::Direct(access) => fmt::Display::fmt(access, f),
            Self::PagePreset => f.write_str("page preset in service mode: page register := 1"),
            Self::AddressOnly(access) => fmt::Display::fmt(access, f),
            Self::Register(access) => fmt::Display::fmt(access, f),
        }
    }
}
