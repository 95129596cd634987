//! The store of photograph files, and the memory limit for decoding them.

use crate::ground::problem::{self, Problem};
use futures_util::TryStreamExt;
use jiff::Timestamp;
use object_store::{
    Error, ObjectStore, ObjectStoreExt, aws::AmazonS3Builder, local::LocalFileSystem, path::Path,
    prefix::PrefixStore,
};
use outshop_pictures::{self as pictures, Made, Refusal};
use std::{
    collections::BTreeMap,
    fs::File,
    io::{self, Read, Seek},
    sync::Arc,
    time::Duration,
};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// MiB that all decoding together may use, unless the settings say otherwise.
pub const DECODING_MIB: u32 = 256;
/// MiB needed to read a header: a file of the largest size and the decoder's copy.
pub const LOOK_MIB: u32 = 52;
/// Longer than any queue that the cores can clear before a client gives up.
const PERMIT_TIMEOUT: Duration = Duration::from_secs(30);

/// Shared by all workers of a process.
#[derive(Clone)]
pub struct Store {
    files: Arc<dyn ObjectStore>,
    /// MiB for decoding: the total, and what is free of it.
    most: u32,
    memory: Arc<Semaphore>,
    /// The least MiB that one decoding takes, so that no more run at once than there are cores.
    share: u32,
}

impl Store {
    /// `place`: a folder, created if missing, or `s3://bucket/prefix`; S3 keys and region come from the usual AWS
    /// variables (`AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`, `AWS_REGION`, `AWS_ENDPOINT`, `AWS_ALLOW_HTTP`).
    pub fn at(place: &str) -> Result<Store, String> {
        let unusable = |e: Error| format!("cannot keep photographs in {place}: {e}");
        let Some(bucket) = place.strip_prefix("s3://") else {
            let failed = |e: io::Error| format!("cannot keep photographs in {place}: {e}");
            std::fs::create_dir_all(place).map_err(failed)?;
            let folder = LocalFileSystem::new_with_prefix(place).map_err(unusable)?;
            return Ok(Store::over(Arc::new(folder.with_fsync(true))));
        };
        let (bucket, prefix) = bucket.split_once('/').unwrap_or((bucket, ""));
        let s3 = AmazonS3Builder::from_env()
            .with_bucket_name(bucket)
            .build()
            .map_err(unusable)?;
        Ok(Store::over(Arc::new(PrefixStore::new(s3, prefix))))
    }

    pub fn over(files: Arc<dyn ObjectStore>) -> Store {
        Store {
            files,
            most: 0,
            memory: Arc::new(Semaphore::new(0)),
            share: 0,
        }
        .decoding_within(DECODING_MIB)
    }

    /// The same store with this limit, in MiB, for all decoding together.
    pub fn decoding_within(self, most: u32) -> Store {
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let cores = u32::try_from(cores).unwrap_or(most).clamp(1, most.max(1));
        Store {
            most,
            memory: Arc::new(Semaphore::new(most as usize)),
            share: most / cores,
            ..self
        }
    }

    /// Makes the files of a picture, away from the threads that answer requests. Waits for memory and a core.
    pub(super) async fn make(&self, mut sent: File, pointer: &str) -> Result<Vec<Made>, Problem> {
        let most = self.most;
        let place = self.memory(LOOK_MIB).await?;
        let (sent, needed) = off_thread(place, move || {
            let needed = pictures::look(read(&mut sent)?, most)?;
            Ok((sent, needed))
        })
        .await
        .map_err(|error| error.at(pointer))?;
        let place = self.memory(needed.max(self.share)).await?;
        let mut sent = sent;
        off_thread(place, move || Ok(pictures::make(read(&mut sent)?, most)?))
            .await
            .map_err(|error| error.at(pointer))
    }

    async fn memory(&self, mib: u32) -> Result<OwnedSemaphorePermit, Problem> {
        let permit = Arc::clone(&self.memory).acquire_many_owned(mib.min(self.most));
        let Ok(permit) = tokio::time::timeout(PERMIT_TIMEOUT, permit).await else {
            let detail = "other photographs are being processed; nothing was stored, try again";
            let busy = Problem::new(problem::SERVICE_UNAVAILABLE, detail);
            return Err(busy.with_header("retry-after", "10"));
        };
        permit.map_err(Problem::internal)
    }

    /// Returns once the file is complete, synced and in place.
    pub(crate) async fn put(&self, name: &str, bytes: &[u8]) -> Result<(), Problem> {
        let path = Path::from(name);
        let put = self.files.put(&path, bytes.to_vec().into());
        put.await.map_err(failed)?;
        Ok(())
    }

    pub(super) async fn has(&self, name: &str) -> Result<bool, Problem> {
        match self.files.head(&Path::from(name)).await {
            Ok(_) => Ok(true),
            Err(Error::NotFound { .. }) => Ok(false),
            Err(error) => Err(failed(error)),
        }
    }

    pub(crate) async fn get(&self, name: &str) -> Result<Option<Vec<u8>>, Problem> {
        let found = match self.files.get(&Path::from(name)).await {
            Ok(found) => found.bytes().await,
            Err(error) => Err(error),
        };
        match found {
            Ok(bytes) => Ok(Some(bytes.into())),
            Err(Error::NotFound { .. }) => Ok(None),
            Err(error) => Err(failed(error)),
        }
    }

    /// A file that is already gone is not an error.
    pub(super) async fn remove(&self, name: &str) -> Result<(), Problem> {
        match self.files.delete(&Path::from(name)).await {
            Ok(()) | Err(Error::NotFound { .. }) => Ok(()),
            Err(error) => Err(failed(error)),
        }
    }

    /// Names of the files in a folder.
    pub(crate) async fn names_below(&self, folder: &str) -> Result<Vec<String>, Problem> {
        let mut files = self.files.list(Some(&Path::from(folder)));
        let mut names = Vec::new();
        while let Some(file) = files.try_next().await.map_err(failed)? {
            names.extend(file.location.filename().map(str::to_owned));
        }
        Ok(names)
    }

    /// Names of all files, each with the time it was last written.
    pub(super) async fn all(&self) -> Result<BTreeMap<String, Timestamp>, Problem> {
        let mut files = self.files.list(None);
        let mut all = BTreeMap::new();
        while let Some(file) = files.try_next().await.map_err(failed)? {
            let name = file.location.filename().unwrap_or_default().to_owned();
            let written = Timestamp::from_second(file.last_modified.timestamp());
            all.insert(name, written.map_err(Problem::internal)?);
        }
        Ok(all)
    }
}

fn read(file: &mut File) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.rewind()?;
    file.read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Why a picture could not be processed.
enum MakeError {
    Refused(Refusal),
    Failed(io::Error),
}

impl From<Refusal> for MakeError {
    fn from(refusal: Refusal) -> MakeError {
        MakeError::Refused(refusal)
    }
}

impl From<io::Error> for MakeError {
    fn from(error: io::Error) -> MakeError {
        MakeError::Failed(error)
    }
}

impl MakeError {
    fn at(self, pointer: &str) -> Problem {
        match self {
            MakeError::Refused(refusal @ Refusal::NotTaken) => {
                Problem::new(problem::UNSUPPORTED_MEDIA_TYPE, refusal.to_string())
            }
            MakeError::Refused(refusal) => Problem::invalid(pointer, refusal.to_string()),
            MakeError::Failed(error) => Problem::internal(error),
        }
    }
}

/// Releases the permit when the work ends, even if nobody waits for it any more. If the decoder panics, the picture is
/// refused.
async fn off_thread<T: Send + 'static>(
    place: OwnedSemaphorePermit,
    work: impl FnOnce() -> Result<T, MakeError> + Send + 'static,
) -> Result<T, MakeError> {
    let done = tokio::task::spawn_blocking(move || {
        let done = work();
        drop(place);
        done
    });
    done.await.unwrap_or_else(|_| {
        let reason = "the decoder gave up".to_owned();
        Err(MakeError::Refused(Refusal::Unreadable(reason)))
    })
}

#[expect(clippy::needless_pass_by_value, reason = "for map_err")]
fn failed(error: Error) -> Problem {
    let said = error.to_string();
    if said.contains("No space left on device") {
        let detail = "the disk is full; nothing was stored, try again later";
        return Problem::new(problem::STORAGE_FULL, detail).with_header("retry-after", "30");
    }
    tracing::error!(error = %said, "the photograph store failed");
    let detail = "the photograph store cannot be reached just now; try again";
    Problem::new(problem::SERVICE_UNAVAILABLE, detail).with_header("retry-after", "5")
}
