//! Settings: from the environment or the command line, all listed by `--help`.

use crate::engines::photographs::{DECODING_MIB, LOOK_MIB};
use clap::{Args, Parser, Subcommand, ValueEnum};
use outshop_core::{days::Day, trade::Role};
use std::{net::IpAddr, path::PathBuf};

/// Outshop: stock, work, certificates, prices and sales for a workshop that deals in live-steam engines
#[derive(Debug, Parser)]
#[command(name = "outshop", version)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the service
    Serve(Serve),
    /// Run the service with an invented firm, to try it out
    Demo(Demo),
    /// Apply database migrations and exit
    Migrate(Database),
    /// Manage API keys
    Keys {
        #[command(subcommand)]
        act: KeysAct,
    },
    /// Write the whole database and the photographs into a new folder, also while the service runs
    Backup(Kept),
    /// Restore a backup into an empty database and verify every table
    Restore(Kept),
    /// Show the date by this machine's clock and the last day processed, and repair what a wrong clock has left
    Days(Days),
    /// Write the OpenAPI document
    Openapi {
        /// File to write; `-`: standard output
        #[arg(default_value = "-")]
        file: PathBuf,
    },
    /// Import records from a file
    Import {
        #[command(subcommand)]
        what: Import,
    },
}

#[derive(Debug, Clone, Args)]
pub struct Database {
    /// A PostgreSQL to use, such as postgres://outshop@db.example/outshop; without it outshop runs a private one
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    pub database_url: Option<String>,
    /// Folder of the private PostgreSQL [default: /var/lib/outshop for root, else ~/.local/share/outshop]
    #[arg(long = "data", env = "OUTSHOP_DATA")]
    pub data: Option<PathBuf>,
    /// Folder with initdb, pg_ctl and pg_dump, if they are not in the usual places
    #[arg(long, env = "OUTSHOP_PG_BIN")]
    pub pg_bin: Option<PathBuf>,
}

#[derive(Debug, Clone, Args)]
pub struct Listen {
    /// Address to listen on
    #[arg(long, env = "OUTSHOP_ADDRESS", default_value = "127.0.0.1")]
    pub address: IpAddr,
    /// Port to listen on; 0 takes a free one
    #[arg(long, env = "OUTSHOP_PORT", default_value_t = 8417)]
    pub port: u16,
    /// Requests handled at once
    #[arg(long, env = "OUTSHOP_WORKERS", default_value_t = 2, value_parser = clap::value_parser!(u16).range(1..=256))]
    pub workers: u16,
    /// Maximum number of connections to PostgreSQL
    #[arg(long, env = "OUTSHOP_CONNECTIONS", default_value_t = 16, value_parser = clap::value_parser!(u16).range(2..=500))]
    pub connections: u16,
}

#[derive(Debug, Clone, Args)]
pub struct Serve {
    #[command(flatten)]
    pub database: Database,
    #[command(flatten)]
    pub listen: Listen,
    /// Where the files of photographs are kept: a folder, or s3://bucket/prefix with AWS_ACCESS_KEY_ID,
    /// AWS_SECRET_ACCESS_KEY, AWS_REGION and, for a store that is not Amazon's, AWS_ENDPOINT [default: photographs, in
    /// the folder of the private PostgreSQL]
    #[arg(long, env = "OUTSHOP_PHOTOGRAPHS")]
    pub photographs: Option<String>,
    /// Memory in MiB that all photographs together may take while they are decoded; one that needs more is refused
    #[arg(long, env = "OUTSHOP_PICTURE_MEMORY", default_value_t = DECODING_MIB, value_parser = clap::value_parser!(u32).range(i64::from(LOOK_MIB)..=65_536))]
    pub picture_memory: u32,
    /// A streaming replica of DATABASE_URL; public listings are read from it while it is up to date
    #[arg(long, env = "OUTSHOP_REPLICA_URL", hide_env_values = true)]
    pub replica_url: Option<String>,
    /// Serve even if PostgreSQL has fsync, full_page_writes or synchronous_commit off
    #[arg(long, env = "OUTSHOP_MAY_LOSE_WRITES")]
    pub may_lose_writes: bool,
    /// Ports that webhook addresses may have: `standard` (443 and 8443) or `any`
    #[arg(long, env = "OUTSHOP_WEBHOOK_PORTS", value_enum, default_value_t = WebhookPorts::Standard)]
    pub webhook_ports: WebhookPorts,
    /// Key that webhook secrets are encrypted with in the database: 32 bytes in base64, as `openssl rand -base64 32`
    /// writes them
    #[arg(long, env = "OUTSHOP_SECRET_KEY", hide_env_values = true)]
    pub secret_key: Option<String>,
    /// File with the same key
    #[arg(long, env = "OUTSHOP_SECRET_KEY_FILE", conflicts_with = "secret_key")]
    pub secret_key_file: Option<PathBuf>,
    /// Requests per minute from a visitor without a key, by address; 0: no limit
    #[arg(long, env = "OUTSHOP_VISITOR_LIMIT", default_value_t = 600)]
    pub visitor_limit: u32,
    /// Requests per minute with one key; 0: no limit
    #[arg(long, env = "OUTSHOP_KEY_LIMIT", default_value_t = 30_000)]
    pub key_limit: u32,
    /// Addresses of the proxies in front, separated by commas: the visitor's address is then taken from their
    /// X-Forwarded-For
    #[arg(long, env = "OUTSHOP_PROXIES", value_delimiter = ',')]
    pub proxies: Vec<IpAddr>,
    /// Port of the metrics, on the loopback address; 0 takes a free one
    #[arg(long, env = "OUTSHOP_METRICS_PORT", default_value_t = 9417)]
    pub metrics_port: u16,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum WebhookPorts {
    Standard,
    Any,
}

#[derive(Debug, Clone, Args)]
pub struct Kept {
    /// Folder of the backup
    pub folder: PathBuf,
    #[command(flatten)]
    pub database: Database,
    /// Where the files of photographs are kept, as for `serve`
    #[arg(long, env = "OUTSHOP_PHOTOGRAPHS")]
    pub photographs: Option<String>,
}

#[derive(Debug, Clone, Args)]
pub struct Days {
    /// What to repair; without it nothing is changed
    #[arg(value_enum)]
    pub act: Option<DaysAct>,
    #[command(flatten)]
    pub database: Database,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum DaysAct {
    /// Process every missed day up to today, however many there are
    Turn,
    /// Mark days in the future as not processed, so that they are processed when they come
    TakeBack,
}

#[derive(Debug, Clone, Args)]
pub struct Demo {
    /// Port to listen on; 0 takes a free one
    #[arg(long, env = "OUTSHOP_PORT", default_value_t = 8417)]
    pub port: u16,
    /// Folder of the demonstration, with its database and keys.json
    #[arg(long = "data", env = "OUTSHOP_DATA", default_value = "outshop-data")]
    pub data: PathBuf,
    /// Folder with initdb and pg_ctl, if they are not in the usual places
    #[arg(long, env = "OUTSHOP_PG_BIN")]
    pub pg_bin: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub enum KeysAct {
    /// Create a key and print its secret, which is shown only once
    Add {
        #[command(flatten)]
        database: Database,
        /// Role: proprietor, fitter, seller, bookkeeper or website
        #[arg(long)]
        role: Role,
        /// What the key is for
        #[arg(long)]
        name: String,
        /// Who uses it, as the journal will name them
        #[arg(long)]
        person: String,
        /// Last day on which the key works; without it the key does not expire
        #[arg(long)]
        expires_on: Option<Day>,
    },
    /// List the keys, without their secrets
    List {
        #[command(flatten)]
        database: Database,
    },
    /// Revoke a key
    Revoke {
        #[command(flatten)]
        database: Database,
        /// Number of the key, as `outshop keys list` shows it
        id: i64,
    },
}

#[derive(Debug, Subcommand)]
pub enum Import {
    /// Import achieved sales from a CSV or NDJSON file: all rows or none
    Comparables {
        #[command(flatten)]
        database: Database,
        /// The CSV or NDJSON file
        file: PathBuf,
        /// Read and check the file without storing anything
        #[arg(long)]
        trial: bool,
        /// Import a file again that was imported before
        #[arg(long)]
        again: bool,
    },
}
