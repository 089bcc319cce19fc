//! Records under keys, in order: a store's, or whatever else keeps them so.

use std::ops::Bound::{self, Excluded, Included};

use facts::stored::borsh::{self, BorshDeserialize};

/// A key and its value.
pub type Record = (Vec<u8>, Vec<u8>);

/// Records in Borsh, under keys in order.
pub trait Records {
    /// Why one cannot be read.
    type Error;

    /// One record as it lies.
    ///
    /// # Errors
    /// When the records cannot be read.
    fn bytes(&self, key: &[u8]) -> Result<Option<Vec<u8>>, Self::Error>;

    /// Every record from a key on, in order.
    fn from(&self, from: Bound<&[u8]>) -> impl Iterator<Item = Result<Record, Self::Error>>;

    /// That a record makes no sense, and why.
    fn unreadable(&self, key: &[u8], why: &str) -> Self::Error;

    /// One record.
    ///
    /// # Errors
    /// When it does not read.
    fn get<T: BorshDeserialize>(&self, key: &[u8]) -> Result<Option<T>, Self::Error> {
        let value = self.bytes(key)?;
        let read = |bytes: Vec<u8>| borsh::from_slice(&bytes);
        let read = value.map(read).transpose();
        read.map_err(|why| self.unreadable(key, &why.to_string()))
    }

    /// Every record whose key begins so, in order: the rest of the key, and the value. `take`
    /// says why a record makes no sense.
    ///
    /// # Errors
    /// When one does not read, or makes no sense.
    fn each<T: BorshDeserialize>(
        &self,
        prefix: &[u8],
        mut take: impl FnMut(&[u8], T) -> Result<(), String>,
    ) -> Result<(), Self::Error> {
        for record in self.from(Included(prefix)) {
            let (key, value) = record?;
            let Some(rest) = key.strip_prefix(prefix) else {
                break;
            };
            let read = borsh::from_slice(&value).map_err(|why| why.to_string());
            let taken = read.and_then(|value| take(rest, value));
            taken.map_err(|why| self.unreadable(&key, &why))?;
        }
        Ok(())
    }

    /// The first keys that begin so, after a whole key: the rest of each, in order.
    ///
    /// # Errors
    /// When the records cannot be read.
    fn keys_after(
        &self,
        prefix: &[u8],
        after: Option<&[u8]>,
        most: usize,
    ) -> Result<Vec<Vec<u8>>, Self::Error> {
        let mut found = Vec::new();
        for record in self
            .from(after.map_or(Included(prefix), Excluded))
            .take(most)
        {
            match record?.0.strip_prefix(prefix) {
                Some(rest) => found.push(rest.to_vec()),
                None => break,
            }
        }
        Ok(found)
    }
}
