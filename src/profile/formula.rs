//! Small whole-number expressions: `(binary << 1) | pair_bit`.
//!
//! Operators as in Rust, from the tightest: `- ~` before a value, `* / %`, `+ -`, `<< >>`, `&`,
//! `^`, `|`, and the comparisons `== != < <= > >=`, which give 1 or 0. Numbers are decimal,
//! `0x…` or `0b…`. Values are 64 bits wide with a sign; what does not fit is an error, never
//! wrapped round.

use std::fmt;

use winnow::ascii::multispace0;
use winnow::combinator::{
    Infix, Prefix, alt, cut_err, delimited, expression, fail, preceded, terminated,
};
use winnow::error::{ContextError, ErrMode};
use winnow::prelude::*;
use winnow::stream::LocatingSlice;
use winnow::token::{one_of, take_while};

/// Longest expression, bytes. It also bounds how deep one can nest.
pub(super) const LONGEST: usize = 160;

/// An expression over values of type `V`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Formula<V> {
    root: Node<V>,
}

/// A name in an expression, and where it starts there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Name {
    pub(super) text: String,
    pub(super) at: usize,
}

/// Text that is no expression: the byte where it stops to make sense.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Broken {
    pub(super) at: usize,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Node<V> {
    Number(i64),
    Value(V),
    Unary(Unary, Box<Self>),
    Binary(Binary, Box<[Self; 2]>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Unary {
    Minus,
    Not,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Binary {
    Times,
    Over,
    Rest,
    Plus,
    Minus,
    Left,
    Right,
    And,
    Xor,
    Or,
    Equal,
    Unequal,
    Less,
    AtMost,
    More,
    AtLeast,
}

/// Why an expression has no value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Arithmetic {
    /// More than 64 bits.
    #[error("the number grows past 64 bits")]
    Overflow,
    /// `/` or `%` by 0.
    #[error("division by 0")]
    DivisionByZero,
    /// A shift by less than 0 or more than 62.
    #[error("a shift by {0}; shifts go from 0 to 62")]
    Shift(i64),
}

type Input<'i> = LocatingSlice<&'i str>;
type Step<T> = Result<T, ErrMode<ContextError>>;
type Parsed = Node<Name>;

impl Formula<Name> {
    /// Reads an expression.
    pub(super) fn parse(text: &str) -> Result<Self, Broken> {
        if text.len() > LONGEST {
            return Err(Broken { at: LONGEST });
        }
        let mut whole = delimited(multispace0, tree, multispace0);
        let parsed = whole.parse(LocatingSlice::new(text));
        parsed
            .map(|root| Self { root })
            .map_err(|error| Broken { at: error.offset() })
    }
}

impl<V> Formula<V> {
    /// An expression that is one value alone.
    pub(super) fn of(value: V) -> Self {
        Self {
            root: Node::Value(value),
        }
    }

    /// The value, where the expression is nothing but one.
    pub(super) fn alone(&self) -> Option<&V> {
        match &self.root {
            Node::Value(value) => Some(value),
            Node::Number(_) | Node::Unary(..) | Node::Binary(..) => None,
        }
    }

    /// Every value in it, from left to right.
    pub(super) fn values(&self) -> Vec<&V> {
        let mut found = Vec::new();
        self.root.values(&mut found);
        found
    }

    /// The same expression with other values, in which each is known.
    pub(super) fn resolve<W, E>(
        self,
        mut known: impl FnMut(V) -> Result<W, E>,
    ) -> Result<Formula<W>, E> {
        let root = self.root.resolve(&mut known)?;
        Ok(Formula { root })
    }

    /// What it comes to.
    pub(super) fn number(&self, value: &impl Fn(&V) -> i64) -> Result<i64, Arithmetic> {
        self.root.number(value)
    }
}

impl<V> Node<V> {
    fn values<'n>(&'n self, found: &mut Vec<&'n V>) {
        match self {
            Self::Number(_) => {}
            Self::Value(value) => found.push(value),
            Self::Unary(_, operand) => operand.values(found),
            Self::Binary(_, operands) => operands.iter().for_each(|operand| operand.values(found)),
        }
    }

    fn resolve<W, E>(self, known: &mut impl FnMut(V) -> Result<W, E>) -> Result<Node<W>, E> {
        Ok(match self {
            Self::Number(number) => Node::Number(number),
            Self::Value(value) => Node::Value(known(value)?),
            Self::Unary(operator, operand) => {
                Node::Unary(operator, Box::new(operand.resolve(known)?))
            }
            Self::Binary(operator, operands) => {
                let [left, right] = *operands;
                let operands = [left.resolve(known)?, right.resolve(known)?];
                Node::Binary(operator, Box::new(operands))
            }
        })
    }

    fn number(&self, value: &impl Fn(&V) -> i64) -> Result<i64, Arithmetic> {
        match self {
            Self::Number(number) => Ok(*number),
            Self::Value(name) => Ok(value(name)),
            Self::Unary(Unary::Not, operand) => Ok(!operand.number(value)?),
            Self::Unary(Unary::Minus, operand) => {
                let negative = operand.number(value)?.checked_neg();
                negative.ok_or(Arithmetic::Overflow)
            }
            Self::Binary(operator, operands) => {
                let [left, right] = &**operands;
                operator.apply(left.number(value)?, right.number(value)?)
            }
        }
    }
}

impl Binary {
    fn apply(self, left: i64, right: i64) -> Result<i64, Arithmetic> {
        let whole = match self {
            Self::Times => left.checked_mul(right),
            Self::Plus => left.checked_add(right),
            Self::Minus => left.checked_sub(right),
            Self::Over | Self::Rest if right == 0 => return Err(Arithmetic::DivisionByZero),
            Self::Over => left.checked_div(right),
            Self::Rest => left.checked_rem(right),
            Self::Left | Self::Right => {
                let count = u32::try_from(right).ok().filter(|count| *count <= 62);
                let count = count.ok_or(Arithmetic::Shift(right))?;
                if self == Self::Left {
                    left.checked_mul(1 << count)
                } else {
                    Some(left >> count)
                }
            }
            Self::And => Some(left & right),
            Self::Xor => Some(left ^ right),
            Self::Or => Some(left | right),
            Self::Equal => Some((left == right).into()),
            Self::Unequal => Some((left != right).into()),
            Self::Less => Some((left < right).into()),
            Self::AtMost => Some((left <= right).into()),
            Self::More => Some((left > right).into()),
            Self::AtLeast => Some((left >= right).into()),
        };
        whole.ok_or(Arithmetic::Overflow)
    }
}

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the expression makes no sense from character {}",
            self.at + 1
        )
    }
}

fn tree(input: &mut Input<'_>) -> Step<Parsed> {
    expression(operand)
        .prefix(prefix)
        .infix(infix)
        .parse_next(input)
}

fn operand(input: &mut Input<'_>) -> Step<Parsed> {
    let value = alt((parenthesised, number, name));
    terminated(value, multispace0).parse_next(input)
}

fn parenthesised(input: &mut Input<'_>) -> Step<Parsed> {
    let inside = delimited(multispace0, tree, ')');
    preceded('(', cut_err(inside)).parse_next(input)
}

fn number(input: &mut Input<'_>) -> Step<Parsed> {
    let digits = (
        one_of('0'..='9'),
        take_while(0.., |c: char| c.is_ascii_alphanumeric() || c == '_'),
    );
    digits
        .take()
        .verify_map(|text: &str| {
            let digits = text.replace('_', "");
            let value = match digits.get(..2) {
                Some("0x") => i64::from_str_radix(&digits[2..], 16),
                Some("0b") => i64::from_str_radix(&digits[2..], 2),
                _ => digits.parse(),
            };
            value.ok().map(Node::Number)
        })
        .parse_next(input)
}

fn name(input: &mut Input<'_>) -> Step<Parsed> {
    let first = one_of(|c: char| c.is_ascii_alphabetic() || c == '_');
    let rest = take_while(0.., |c: char| c.is_ascii_alphanumeric() || c == '_');
    let name = (first, rest).take().with_span();
    name.map(|(text, span): (&str, _)| {
        let text = text.to_owned();
        let at = span.start;
        Node::Value(Name { text, at })
    })
    .parse_next(input)
}

fn prefix<'i>(input: &mut Input<'i>) -> Step<Prefix<Input<'i>, Parsed, ErrMode<ContextError>>> {
    let operator = terminated(one_of(['-', '~']), multispace0).parse_next(input)?;
    Ok(match operator {
        '-' => Prefix(20, |_, operand| {
            Ok(Node::Unary(Unary::Minus, Box::new(operand)))
        }),
        _ => Prefix(20, |_, operand| {
            Ok(Node::Unary(Unary::Not, Box::new(operand)))
        }),
    })
}

/// One line of the table of operators.
macro_rules! left {
    ($power:literal, $operator:ident) => {
        Infix::Left($power, |_, left, right| {
            Ok(Node::Binary(Binary::$operator, Box::new([left, right])))
        })
    };
}

fn infix<'i>(input: &mut Input<'i>) -> Step<Infix<Input<'i>, Parsed, ErrMode<ContextError>>> {
    let long = alt(("<<", ">>", "==", "!=", "<=", ">="));
    let short = one_of(['<', '>', '*', '/', '%', '+', '-', '&', '^', '|']).take();
    let operator = alt((long, short));
    let operator = terminated(operator, multispace0).parse_next(input)?;
    Ok(match operator {
        "*" => left!(16, Times),
        "/" => left!(16, Over),
        "%" => left!(16, Rest),
        "+" => left!(14, Plus),
        "-" => left!(14, Minus),
        "<<" => left!(12, Left),
        ">>" => left!(12, Right),
        "&" => left!(10, And),
        "^" => left!(8, Xor),
        "|" => left!(6, Or),
        "==" => left!(4, Equal),
        "!=" => left!(4, Unequal),
        "<" => left!(4, Less),
        "<=" => left!(4, AtMost),
        ">" => left!(4, More),
        ">=" => left!(4, AtLeast),
        _ => return fail.parse_next(input),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Result<i64, Arithmetic> {
        let formula = Formula::parse(text).unwrap();
        formula.number(&|name: &Name| match name.text.as_str() {
            "keyed" => 37,
            "pair_bit" => 1,
            other => panic!("no {other}"),
        })
    }

    #[test]
    fn operators_bind_as_in_rust() {
        // The right-hand sides are Rust itself.
        let cases: [(&str, i64); 12] = [
            ("1 + 2 * 3", 1 + 2 * 3),
            ("(1 + 2) * 3", (1 + 2) * 3),
            ("10 - 4 - 3", 10 - 4 - 3),
            ("1 << 2 + 1", 1 << (2 + 1)),
            ("0xF0 & 0x3c | 1", 0xF0 & 0x3c | 1),
            ("6 ^ 3 & 1", 6 ^ (3 & 1)),
            ("~0b101 & 0xff", !0b101 & 0xff),
            ("-3 * -(2)", 6),
            ("100 / 7 % 4", 100 / 7 % 4),
            ("(keyed << 1) | pair_bit", 75),
            ("keyed>=37", 1),
            (" 1_000 != 1000 ", 0),
        ];
        for (text, expected) in cases {
            assert_eq!(value(text), Ok(expected), "{text}");
        }
    }

    #[test]
    fn nothing_wraps_round() {
        assert_eq!(value("9223372036854775807 + 1"), Err(Arithmetic::Overflow));
        assert_eq!(value("1 << 63"), Err(Arithmetic::Shift(63)));
        assert_eq!(value("keyed << 60"), Err(Arithmetic::Overflow));
        assert_eq!(value("1 >> -1"), Err(Arithmetic::Shift(-1)));
        assert_eq!(
            value("keyed / (pair_bit - 1)"),
            Err(Arithmetic::DivisionByZero)
        );
        assert_eq!(
            value("-9223372036854775807 - 1 - 1"),
            Err(Arithmetic::Overflow)
        );
    }

    #[test]
    fn a_broken_expression_tells_where() {
        let cases = [
            ("", 0),
            ("1 +", 3),
            ("(keyed << 1", 11),
            ("keyed pair_bit", 6),
            ("keyed $ 2", 6),
            ("1 + + 2", 4),
            ("(1))", 3),
            ("0x", 0),
            ("99999999999999999999", 0),
        ];
        for (text, at) in cases {
            assert_eq!(Formula::parse(text), Err(Broken { at }), "{text}");
        }
        let long = "1+".repeat(LONGEST);
        assert_eq!(Formula::parse(&long), Err(Broken { at: LONGEST }));
        // As deep as the bound lets one nest.
        for deep in ["(", "-", "~("] {
            let text = deep.repeat(LONGEST / deep.len());
            assert!(Formula::parse(&text).is_err(), "{deep}");
        }
    }
}
