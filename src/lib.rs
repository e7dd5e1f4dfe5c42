//! Proves the turnouts and signals of a DCC model railway.
