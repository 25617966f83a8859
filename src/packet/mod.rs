//! Packets of work as files: a folder (BagIt, RFC 8493) or a zip of one, written for a person and read back as what a stranger
//! sent.
//!
//! Knows bags, manifests and what must not leave a folder. Does not know the film, its stages or the ledger.
