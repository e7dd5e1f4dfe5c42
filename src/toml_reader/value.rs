//! What a TOML value is, in words and numbers.

use toml::de::DeValue;

/// What a person would call it.
pub(super) fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text in quotes",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number with a decimal point",
        DeValue::Boolean(_) => "true or false without quotes",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// Whether it is a number.
pub(super) fn is_number(value: &DeValue<'_>) -> bool {
    value.is_integer() || value.is_float()
}

/// A number as a float, if it is one that arithmetic can use.
pub(super) fn float(value: &DeValue<'_>) -> Option<f64> {
    let whole = value.as_integer().and_then(|text| {
        let whole = i64::from_str_radix(text.as_str(), text.radix()).ok()?;
        // A plan's numbers are small; one that needs more is wrong in any range.
        i32::try_from(whole).ok().map(f64::from)
    });
    let number = whole.or_else(|| value.as_float()?.as_str().parse().ok());
    number.filter(|number| number.is_finite())
}

/// A number as the file has it.
pub(super) fn number_text(value: &DeValue<'_>) -> String {
    let whole = value.as_integer().map(ToString::to_string);
    whole
        .or_else(|| value.as_float().map(ToString::to_string))
        .unwrap_or_default()
}
