//! The journal read back, against rows put there by SQL.
