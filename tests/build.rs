//! How many tests run at once.

fn main() {
    println!("cargo::rerun-if-env-changed=RUST_TEST_THREADS");
    // They wait for PostgreSQL as long as they reckon. Cargo sets for the run of a test what is set for its compilation.
    if std::env::var_os("RUST_TEST_THREADS").is_none() {
        let cores = std::thread::available_parallelism().map_or(2, usize::from);
        println!("cargo::rustc-env=RUST_TEST_THREADS={}", 2 * cores);
    }
}
