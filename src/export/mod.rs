//! The records, written out: the journal's tables as CSV, JSON Lines and Parquet, and the page for a vet. Both the command
//! line and the web page hand them out. And what both reckon from it: the figures of the alarms, how long lamps burnt.

pub(crate) mod alarms;
pub(crate) mod burning;
pub(crate) mod columnar;
pub(crate) mod lines;
pub(crate) mod spreadsheet;
pub(crate) mod table;
pub(crate) mod vet;
