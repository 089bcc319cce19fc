//! An archive: a folder of plain files that is read and checked without this program.

/// The folder of facts.
pub const FACTS: &str = "facts";
/// The folder of seals.
pub const SEALS: &str = "seals";
/// The ledger.
pub const LEDGER: &str = "ledger.txt";
/// The site's public key.
pub const KEY: &str = "public-key.txt";
/// The site's code.
pub const SITE: &str = "site.txt";
/// Records in one file of facts.
pub const RECORDS_A_FILE: u64 = 50_000;

/// The name of the file of facts that begins with a record.
#[must_use]
pub fn facts_file(first: u64) -> String {
    format!("{first:012}.ndjson")
}

/// The name of a day's seal; `nth` tells several of one day apart, from 1.
#[must_use]
pub fn seal_file(day: chrono::NaiveDate, last: u64) -> String {
    format!("{day}-{last:012}.seal")
}

/// What the folder's README says.
pub const README: &str = "\
This folder holds the records of one dairy site. No program of ours is needed to read it.

facts/*.ndjson   One record a line, in the order in which they were stored. Each is a
                 CloudEvents 1.0 event in JSON: who (authid is a badge, never a name), when
                 (time), where it was written down (source), what (type and data).
ledger.txt       One line a record: its number from 1, the broker's own number, the
                 record's id (- if it has none), and the SHA-256 of (00, line).
seals/*.seal     One text a day: its own number (the oldest may not say theirs), the numbers of
                 the first and last record under it, the head of the chain, the SHA-256 of the
                 seal before, and a signature.
site.txt         The site's code.
public-key.txt   The key that the seals are signed with. Compare it with a printed copy.

To check: a line is its bytes without the line break.
  leaf  = SHA-256(byte 00, line)
  head0 = SHA-256(\"wheelward chain 1\\n\", site code)
  head  = SHA-256(byte 01, head before, leaf)          for one line after the other
  A seal's \"head\" is the head after its \"last\" record, in hexadecimal digits.
  A seal's \"previous\" is the SHA-256 of the whole text of the seal before (zeros: none).
  \"signature\" is Ed25519 (RFC 8032) over all lines before it, line breaks included, by the
  key on the \"key\" line.
verify_chain.py does just that.

Whoever can write this whole folder can cut it short. A seal's mark, as it was told to people
on its day (its number, and the first 16 hexadecimal digits of the SHA-256 of its text), or a
printed seal, tells.

Whose badge is whose is not here. That list may be erased without touching anything here.
If a file in facts/ was deleted because its time was over, the ledger and the seals still
tell how many records there were, and prove a copy that somebody else kept.
";
