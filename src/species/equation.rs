//! Volume equations: a set per publication, its equations, and how a species finds its own.
