//! docker-compose.yml as a file: no container engine is needed, and none is tried.

use saphyr::{LoadableYamlNode, Yaml};

#[test]
fn the_compose_file_runs_the_service_beside_a_healthy_database_that_keeps_its_data() {
    let documents = Yaml::load_from_str(include_str!("../../docker-compose.yml")).expect("YAML");
    let services = &documents[0]["services"];
    let (service, database) = (&services["outshop"], &services["database"]);

    let dockerfile = service["build"]["dockerfile"]
        .as_str()
        .expect("a Dockerfile");
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    assert!(root.join(dockerfile).is_file(), "{dockerfile} is there");
    let url = service["environment"]["DATABASE_URL"]
        .as_str()
        .expect("a database");
    assert!(
        url.contains("@database/"),
        "{url} leads to the service `database`"
    );
    assert_eq!(
        service["depends_on"]["database"]["condition"].as_str(),
        Some("service_healthy")
    );

    assert!(
        database["image"]
            .as_str()
            .expect("an image")
            .starts_with("postgres:")
    );
    assert_eq!(
        database["healthcheck"]["test"][0].as_str(),
        Some("CMD-SHELL")
    );
    let volume = database["volumes"][0].as_str().expect("a volume");
    let (name, folder) = volume.split_once(':').expect("name:folder");
    assert!(
        documents[0]["volumes"].contains_mapping_key(name),
        "{name} is declared"
    );
    assert_eq!(folder, "/var/lib/postgresql/data");
}
