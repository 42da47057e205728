//! Numerical tools that know nothing of photographs.
