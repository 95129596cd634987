//! Webhook secrets in the database: plain, or encrypted with a key that is not in the database.
//!
//! AES-256-GCM with a random nonce for each secret (NIST SP 800-38D); base64 of nonce, ciphertext and tag after a
//! prefix.

use super::Secret;
use crate::{
    ground::{
        db::{Db, RunQueryDsl},
        problem::Problem,
    },
    schema::webhooks,
};
use base64::{Engine, prelude::BASE64_STANDARD};
use diesel::prelude::*;
use ring::aead::{AES_256_GCM, Aad, LessSafeKey, NONCE_LEN, Nonce, UnboundKey};
use std::sync::Arc;

const MARK: &str = "aes-256-gcm:";

/// The encryption key. `None`: secrets are stored in plain text.
#[derive(Clone, Default)]
pub struct Cipher(Option<Arc<LessSafeKey>>);

impl Cipher {
    /// `key`: 32 bytes in base64, as `openssl rand -base64 32` writes them.
    pub fn with(key: &str) -> Result<Cipher, String> {
        let wrong =
            "the secret key must be 32 bytes in base64, as `openssl rand -base64 32` writes them";
        let bytes = BASE64_STANDARD.decode(key.trim());
        let bytes = bytes.map_err(|_| wrong.to_owned())?;
        let key = UnboundKey::new(&AES_256_GCM, &bytes).map_err(|_| wrong.to_owned())?;
        Ok(Cipher(Some(Arc::new(LessSafeKey::new(key)))))
    }

    pub(super) fn seal(&self, secret: &Secret) -> Result<String, Problem> {
        let Some(key) = &self.0 else {
            return Ok(secret.0.clone());
        };
        let mut text = secret.0.clone().into_bytes();
        let mut nonce = [0; NONCE_LEN];
        getrandom::fill(&mut nonce).map_err(Problem::internal)?;
        let once = Nonce::assume_unique_for_key(nonce);
        key.seal_in_place_append_tag(once, Aad::empty(), &mut text)
            .map_err(Problem::internal)?;
        let bytes = [nonce.as_slice(), &text].concat();
        Ok(format!("{MARK}{}", BASE64_STANDARD.encode(bytes)))
    }

    pub(super) fn open(&self, stored: &str) -> Result<Secret, String> {
        let Some(encoded) = stored.strip_prefix(MARK) else {
            return Ok(Secret(stored.to_owned()));
        };
        let Some(key) = &self.0 else {
            return Err(
                "webhook secrets are stored encrypted; give their key in OUTSHOP_SECRET_KEY"
                    .to_owned(),
            );
        };
        let other = || {
            "webhook secrets were encrypted with another key than OUTSHOP_SECRET_KEY; give that one"
                .to_owned()
        };
        let bytes = BASE64_STANDARD.decode(encoded).map_err(|_| other())?;
        let (nonce, text) = bytes.split_at_checked(NONCE_LEN).ok_or_else(other)?;
        let nonce = Nonce::try_assume_unique_for_key(nonce).map_err(|_| other())?;
        let mut text = text.to_vec();
        let text = key
            .open_in_place(nonce, Aad::empty(), &mut text)
            .map_err(|_| other())?;
        Ok(Secret(String::from_utf8_lossy(text).into_owned()))
    }

    /// Encrypts the secrets that are stored in plain text, if there is a key. Refuses a key that does not decrypt the
    /// others. Returns how many were encrypted.
    pub async fn take_over(&self, db: &Db) -> Result<usize, String> {
        let mut conn = db.read().await.map_err(|e| e.to_string())?;
        let stored: Vec<(i64, String, Option<String>)> = webhooks::table
            .select((webhooks::id, webhooks::secret, webhooks::former_secret))
            .order(webhooks::id)
            .load(&mut conn)
            .await
            .map_err(|e| e.to_string())?;
        let mut taken = 0;
        for (id, secret, former) in &stored {
            let opened = self.open(secret)?;
            let former = former
                .as_ref()
                .map(|former| self.open(former))
                .transpose()?;
            if self.0.is_none() || secret.starts_with(MARK) {
                continue;
            }
            let former = former.map(|former| self.seal(&former)).transpose();
            diesel::update(webhooks::table.find(id).filter(webhooks::secret.eq(secret)))
                .set((
                    webhooks::secret.eq(self.seal(&opened).map_err(|e| e.to_string())?),
                    webhooks::former_secret.eq(former.map_err(|e| e.to_string())?),
                ))
                .execute(&mut conn)
                .await
                .map_err(|e| e.to_string())?;
            taken += 1;
        }
        Ok(taken)
    }
}
