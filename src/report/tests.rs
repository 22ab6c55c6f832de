//! The page, against numbers reckoned by hand.
