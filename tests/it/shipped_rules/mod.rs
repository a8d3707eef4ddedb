//! The shipped rules, judged from outside: what evidence leads to which causes.

mod published;
mod scene;
mod situations;
mod stability;
