//! What the README shows is what the program prints.

#[test]
fn the_readme_shows_what_is_printed() {
    trycmd::TestCases::new().case("README.md");
}
