//! (begun)
