//! The night's manners: bad input, interrupts, names, erasure, what is confined, what earlier versions left, and the house's own order.

#[path = "../support/mod.rs"]
mod support;

mod bad_input;
mod confinement;
mod foreign;
mod forget;
mod house;
mod locks;
mod names;
mod night;
mod program;
mod refused;
mod setup;
mod take_in;
mod upgrade;
