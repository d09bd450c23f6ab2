//! Files in and out: histories that other programs logged, and what packdrift has in forms that others read.
//!
//! Readings that come in go through the writer as if they had come over MQTT, with the same refusals. What goes out
//! comes in again as the same readings, to the last digit.

pub mod export;
pub mod import;
