//! What the README shows is what the program prints.

#[test]
fn the_readme_shows_what_is_printed() {
    trycmd::TestCases::new()
        .env("THROWPROOF_RECORD", "none")
        .case("README.md");
}
