//! Picture operators, one a file.
