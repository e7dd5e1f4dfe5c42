//! DCC accessory packets.
#![no_std]
