//! The records, written out: the journal's tables as CSV, JSON Lines and Parquet, and the page for a vet. Both the command
//! line and the web page hand them out.

pub(crate) mod lines;
pub(crate) mod parquet;
pub(crate) mod spreadsheet;
pub(crate) mod table;
pub(crate) mod vet;
