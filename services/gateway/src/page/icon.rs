//! Own small drawings: a shape for each level, a sign for each page.

use maud::{Markup, html};

/// The shape of a level; colour comes from the style sheet.
pub fn level(level: &str) -> Markup {
    html! {
        svg.shape.{ "shape-" (level) } viewBox="0 0 100 100" aria-hidden="true" focusable="false" {
            @match level {
                "ok" => {
                    circle.fill cx="50" cy="50" r="46" {}
                    path.line d="M26 52 L44 70 L75 33" {}
                }
                "next" => {
                    path.fill d="M6 22 H56 L94 50 L56 78 H6 Z" {}
                    circle.dot cx="26" cy="50" r="6" {}
                    circle.dot cx="46" cy="50" r="6" {}
                    circle.dot cx="66" cy="50" r="6" {}
                }
                "wait" => {
                    path.fill d="M4 46 H26 L34 64 H66 L74 46 H96 V94 H4 Z" {}
                    path.line d="M50 6 V44 M32 28 L50 46 L68 28" {}
                }
                "stop" => {
                    path.fill d="M30 4 H70 L96 30 V70 L70 96 H30 L4 70 V30 Z" {}
                    path.line d="M24 50 H76" {}
                }
                "held" => {
                    rect.fill x="16" y="42" width="68" height="52" rx="6" {}
                    path.line d="M30 42 V28 a20 20 0 0 1 40 0 V42" {}
                }
                _ => {
                    path.fill d="M50 6 L97 92 H3 Z" {}
                    path.line d="M50 36 V62" {}
                    circle.dot cx="50" cy="77" r="6" {}
                }
            }
        }
    }
}

/// The sign of a page.
pub fn sign(name: &str) -> Markup {
    let path = match name {
        "today" => "M4 5h16M4 12h10M4 19h7M15 17l2.500 2.500L22 14",
        "floor" => "M3 3h7v7H3zM14 3h7v7h-7zM3 14h7v7H3zM14 14h7v7h-7z",
        "alerts" => "M12 3L22 20H2zM12 10v4M12 17v.5",
        "rooms" => "M10 4a2 2 0 0 1 4 0v9a4 4 0 1 1-4 0zM12 8v8",
        "portions" => "M12 12V3a9 9 0 1 1-9 9zM9 9V3.500A8 8 0 0 0 3.500 9z",
        "station" => "M3 8V3h5M16 3h5v5M21 16v5h-5M8 21H3v-5M6 12h12",
        "orders" => {
            "M2 6h12v10H2zM14 9h4l4 4v3h-8zM6 16a2 2 0 1 0 0 4a2 2 0 0 0 0-4M17 16a2 2 0 1 0 0 4a2 2 0 0 0 0-4"
        }
        "find" => "M10 4a6 6 0 1 0 0 12a6 6 0 0 0 0-12M15 15l6 6",
        _ => "M12 4a4 4 0 1 0 0 8a4 4 0 0 0 0-8M4 21c0-9 16-9 16 0",
    };
    html! {
        svg.sign viewBox="0 0 24 24" aria-hidden="true" focusable="false" {
            path d=(path) {}
        }
    }
}
