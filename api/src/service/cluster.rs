//! A private PostgreSQL for those who set no DATABASE_URL: it runs the installed programs on a data folder of its own.

use std::{
    env, fs,
    fs::File,
    os::unix::{fs::PermissionsExt, process::CommandExt},
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
};

/// Longest path of a Unix socket: PostgreSQL's limit is 107 bytes.
const SOCKET_PATH_LIMIT: usize = 107;
const HOW_TO_GET: &str = "PostgreSQL's programs are not found; get them with `apt-get install postgresql` (Debian, Ubuntu) or \
    `brew install postgresql@17` (macOS), or name their folder in OUTSHOP_PG_BIN, or set DATABASE_URL";

/// What a crash of the machine may cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Every acknowledged commit is on the disk.
    Full,
    /// Nothing is synced: for data that a test makes and throws away.
    None,
}

/// A running private cluster. Dropping this value stops it, if this value started it.
pub struct Cluster {
    bin: PathBuf,
    data: PathBuf,
    socket: PathBuf,
    user: Option<User>,
    started_here: bool,
    /// Locked while the value lives, so that two services do not use the same folder. `None`: this value works beside a
    /// service.
    _lock: Option<File>,
}

#[derive(Debug, Clone, Copy)]
struct User {
    uid: u32,
    gid: u32,
}

impl Cluster {
    /// Creates the cluster in `folder` if there is none, and starts it if it is not running.
    pub fn start(
        folder: &Path,
        pg_bin: Option<&Path>,
        durability: Durability,
    ) -> Result<Cluster, String> {
        let failed = |what: &str, path: &Path, e: std::io::Error| {
            format!("cannot {what} {}: {e}", path.display())
        };
        fs::create_dir_all(folder).map_err(|e| failed("make the folder", folder, e))?;
        let folder = folder
            .canonicalize()
            .map_err(|e| failed("reach the folder", folder, e))?;
        let lock = File::create(folder.join("lock"))
            .map_err(|e| failed("write in the folder", &folder, e))?;
        lock.try_lock().map_err(|_| {
            format!(
                "another outshop is using {}; stop it or choose another folder",
                folder.display()
            )
        })?;

        let data = folder.join("postgresql");
        let version = fs::read_to_string(data.join("PG_VERSION"))
            .ok()
            .map(|text| text.trim().to_owned());
        let bin = programs(pg_bin, version.as_deref())?;
        let user = if is_root()? {
            Some(unprivileged()?)
        } else {
            None
        };
        let socket = socket_folder(&folder);
        for made in [&data, &socket] {
            fs::create_dir_all(made).map_err(|e| failed("make the folder", made, e))?;
            fs::set_permissions(made, fs::Permissions::from_mode(0o700))
                .map_err(|e| failed("restrict access to the folder", made, e))?;
            if let Some(user) = user {
                std::os::unix::fs::chown(made, Some(user.uid), Some(user.gid))
                    .map_err(|e| failed("change the owner of", made, e))?;
            }
        }
        let mut cluster = Cluster {
            bin,
            data,
            socket,
            user,
            started_here: false,
            _lock: Some(lock),
        };
        if version.is_none() {
            let mut initdb = cluster.program("initdb");
            initdb.args([
                "--auth=trust",
                "--no-locale",
                "--encoding=UTF8",
                "--username=outshop",
                "--data-checksums",
            ]);
            if durability == Durability::None {
                initdb.arg("--no-sync");
            }
            run(initdb.arg("-D").arg(&cluster.data))?;
        }
        if !cluster.is_running()? {
            let mut options = format!(
                "-c listen_addresses='' -c unix_socket_permissions=0700 -k {}",
                cluster.socket.display()
            );
            if durability == Durability::None {
                options += " -c fsync=off -c synchronous_commit=off -c full_page_writes=off -c max_connections=400";
            }
            let mut start = cluster.program("pg_ctl");
            start
                .args(["start", "--wait", "--silent", "-D"])
                .arg(&cluster.data)
                .arg("-l")
                .arg(cluster.data.join("log"));
            run(start.arg("-o").arg(options))?;
            cluster.started_here = true;
        }
        let mut made = cluster.program("psql");
        made.args(["-h"])
            .arg(&cluster.socket)
            .args(["-U", "outshop", "-d", "postgres", "-Atqc"]);
        let known = run(made.arg("SELECT 1 FROM pg_database WHERE datname = 'outshop'"))?;
        if known.stdout.is_empty() {
            let mut create = cluster.program("createdb");
            run(create
                .arg("-h")
                .arg(&cluster.socket)
                .args(["-U", "outshop", "outshop"]))?;
        }
        Ok(cluster)
    }

    /// The cluster of a running service, to work beside it.
    pub fn beside_a_service(folder: &Path, pg_bin: Option<&Path>) -> Result<Cluster, String> {
        let folder = folder
            .canonicalize()
            .map_err(|e| format!("cannot reach the folder {}: {e}", folder.display()))?;
        let data = folder.join("postgresql");
        let version = fs::read_to_string(data.join("PG_VERSION")).unwrap_or_default();
        let cluster = Cluster {
            bin: programs(pg_bin, Some(version.trim()))?,
            socket: socket_folder(&folder),
            user: if is_root()? {
                Some(unprivileged()?)
            } else {
                None
            },
            data,
            started_here: false,
            _lock: None,
        };
        if cluster.is_running()? {
            Ok(cluster)
        } else {
            Err(format!("no PostgreSQL is running in {}", folder.display()))
        }
    }

    /// For `Db::new`: the database of the service.
    pub fn url(&self) -> String {
        self.url_of("outshop")
    }

    pub fn url_of(&self, database: &str) -> String {
        let folder: String = self
            .socket
            .display()
            .to_string()
            .bytes()
            .map(|b| format!("%{b:02X}"))
            .collect();
        format!("postgresql://outshop@{folder}/{database}")
    }

    fn is_running(&self) -> Result<bool, String> {
        let output = self
            .program("pg_ctl")
            .args(["status", "-D"])
            .arg(&self.data)
            .output();
        Ok(output
            .map_err(|e| format!("pg_ctl does not run: {e}"))?
            .status
            .success())
    }

    /// One of PostgreSQL's programs, run as the right user and without our environment.
    fn program(&self, name: &str) -> Command {
        let mut command = Command::new(self.bin.join(name));
        command
            .env_clear()
            .env("PATH", &self.bin)
            .env("LC_ALL", "C")
            .current_dir("/")
            .stdin(Stdio::null());
        if let Some(User { uid, gid }) = self.user {
            command.uid(uid).gid(gid);
        }
        command
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if self.started_here
            && let Err(error) = run(self
                .program("pg_ctl")
                .args(["stop", "--wait", "--silent", "-m", "fast", "-D"])
                .arg(&self.data))
        {
            tracing::error!(%error, "the private PostgreSQL did not stop");
        }
    }
}

/// The folder of the private cluster when none is named.
pub fn default_folder() -> Result<PathBuf, String> {
    if is_root()? {
        return Ok(PathBuf::from("/var/lib/outshop"));
    }
    let home = env::home_dir().ok_or("there is no home folder; name one in OUTSHOP_DATA")?;
    Ok(home.join(".local/share/outshop"))
}

fn run(command: &mut Command) -> Result<Output, String> {
    let name = command.get_program().to_string_lossy().into_owned();
    // The server that pg_ctl starts inherits our pipes and would keep them open.
    let output = if name.ends_with("pg_ctl") {
        command.stdout(Stdio::null()).stderr(Stdio::null()).output()
    } else {
        command.output()
    };
    let output = output.map_err(|e| format!("{name} does not run: {e}"))?;
    if output.status.success() {
        return Ok(output);
    }
    let reason = String::from_utf8_lossy(&output.stderr).trim().to_owned();
    Err(format!("{name} failed ({}): {reason}", output.status))
}

/// The folder of initdb and pg_ctl: those of `version` if a cluster of it exists, else the newest.
pub(crate) fn programs(named: Option<&Path>, version: Option<&str>) -> Result<PathBuf, String> {
    if let Some(folder) = named {
        return if folder.join("initdb").is_file() {
            Ok(folder.to_owned())
        } else {
            Err(format!("there is no initdb in {}", folder.display()))
        };
    }
    let mut found: Vec<(u32, PathBuf)> = Vec::new();
    for (parent, prefix) in [
        ("/usr/lib/postgresql", ""),
        ("/usr/local/opt", "postgresql@"),
        ("/opt/homebrew/opt", "postgresql@"),
        ("/Applications/Postgres.app/Contents/Versions", ""),
    ] {
        for entry in fs::read_dir(parent).into_iter().flatten().flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            let major = name
                .strip_prefix(prefix)
                .and_then(|version| version.parse().ok());
            let bin = entry.path().join("bin");
            if let (Some(major), true) = (major, bin.join("initdb").is_file()) {
                found.push((major, bin));
            }
        }
    }
    let path = env::var_os("PATH").unwrap_or_default();
    let on_path = env::split_paths(&path).find(|folder| folder.join("initdb").is_file());
    found.sort();
    match version {
        Some(version) => found
            .into_iter()
            .find(|(major, _)| major.to_string() == version)
            .map(|(_, bin)| bin)
            .or(on_path)
            .ok_or_else(|| format!("the data folder is of PostgreSQL {version}, whose programs are not found; {HOW_TO_GET}")),
        None => found.pop().map(|(_, bin)| bin).or(on_path).ok_or_else(|| HOW_TO_GET.to_owned()),
    }
}

/// PostgreSQL refuses to run as root: it then runs as `postgres`, or as `nobody`.
fn unprivileged() -> Result<User, String> {
    let accounts =
        fs::read_to_string("/etc/passwd").map_err(|e| format!("cannot read the accounts: {e}"))?;
    let find = |wanted: &str| {
        accounts
            .lines()
            .map(|line| line.split(':').collect::<Vec<_>>())
            .find_map(|fields| match fields.as_slice() {
                [name, _, uid, gid, ..] if *name == wanted => Some(User {
                    uid: uid.parse().ok()?,
                    gid: gid.parse().ok()?,
                }),
                _ => None,
            })
    };
    find("postgres").or_else(|| find("nobody")).ok_or_else(|| {
        "PostgreSQL does not run as root, and there is no account postgres or nobody; create one, or run outshop as \
         another user"
            .to_owned()
    })
}

fn is_root() -> Result<bool, String> {
    use std::os::unix::fs::MetadataExt;
    // A file that we create belongs to the effective user; std has no call to ask for it.
    let probe = env::temp_dir().join(format!("outshop-{}", std::process::id()));
    let file =
        File::create(&probe).map_err(|e| format!("cannot write {}: {e}", probe.display()))?;
    let owner = file.metadata().map_err(|e| e.to_string())?.uid();
    let _ = fs::remove_file(&probe);
    Ok(owner == 0)
}

fn socket_folder(folder: &Path) -> PathBuf {
    let beside = folder.join("socket");
    if beside.join(".s.PGSQL.5432").as_os_str().len() <= SOCKET_PATH_LIMIT {
        return beside;
    }
    use std::hash::{DefaultHasher, Hash, Hasher};
    let mut hash = DefaultHasher::new();
    folder.hash(&mut hash);
    env::temp_dir().join(format!("outshop-{:016x}", hash.finish()))
}
