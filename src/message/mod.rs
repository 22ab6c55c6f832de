//! Room: message.
