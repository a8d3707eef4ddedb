//! The shipped rules, judged from outside: what evidence leads to which causes.

mod listed;
mod once;
mod published;
mod scene;
mod situations;
mod stability;
