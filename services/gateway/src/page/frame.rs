//! What every page has around it.

use authority::people::{self, Proof};
use chart::Figure;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::icon;
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::people::{Hand, Role, Theme};
use crate::words::Tongue;

/// Which page this is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Here {
    /// The plan.
    Today,
    /// The rooms drawn.
    Floor,
    /// What went wrong.
    Alerts,
    /// Climate and fill.
    Rooms,
    /// Portion weights.
    Portions,
    /// Orders and shipments.
    Orders,
    /// Search.
    Find,
    /// Settings and what managers look after.
    Me,
    /// None of them.
    Nowhere,
}

/// The pages at the side, with their key and address.
const PLACES: [(Here, &str, &str); 7] = [
    (Here::Today, "today", "/today"),
    (Here::Floor, "floor", "/floor"),
    (Here::Alerts, "alerts", "/alerts"),
    (Here::Rooms, "rooms", "/rooms"),
    (Here::Portions, "portions", "/portions"),
    (Here::Orders, "orders", "/orders"),
    (Here::Find, "find", "/find"),
];

/// A page's frame.
pub struct Frame<'a> {
    gateway: &'a Gateway,
    visitor: &'a Visitor,
    title: String,
    here: Here,
    live: bool,
    /// What is asked of the page of corrections: those of what is shown here.
    about: Option<String>,
}

impl<'a> Frame<'a> {
    /// A frame.
    pub const fn new(
        gateway: &'a Gateway,
        visitor: &'a Visitor,
        title: String,
        here: Here,
    ) -> Self {
        Self {
            gateway,
            visitor,
            title,
            here,
            live: false,
            about: None,
        }
    }

    /// The page shows what changes, so it is drawn anew when the floor has moved.
    pub const fn live(mut self) -> Self {
        self.live = true;
        self
    }

    /// The page shows records of this: `batch=311`, `stand=stillage/S07`.
    pub fn about(mut self, what: String) -> Self {
        self.about = Some(what);
        self
    }

    /// Whether the dairy has such a page.
    fn is_there(&self, place: Here) -> bool {
        place != Here::Orders || self.gateway.site().dispatch.is_some()
    }

    /// Draws the page.
    pub fn draw(&self, content: &Markup) -> Markup {
        let t = self.visitor.tongue();
        let body = html! {
            @if let Some(signed) = &self.visitor.signed {
                nav.side aria-label=(t.say("nav-label")) {
                    @for (place, key, path) in PLACES.into_iter().filter(|(place, ..)| self.is_there(*place)) {
                        a.place href=(path) aria-current=[(place == self.here).then_some("page")] {
                            (icon::sign(key))
                            span { (t.say(&format!("nav-{key}"))) }
                        }
                    }
                    @if self.visitor.device.is_some() {
                        a.place href="/station" { (icon::sign("station")) span { (t.say("nav-station")) } }
                    }
                    a.place.own href="/me" aria-current=[(self.here == Here::Me).then_some("page")] {
                        (icon::sign("me")) span { (signed.account.name) }
                    }
                }
            }
            main id="main" tabindex="-1" data-live=[self.live.then_some(self.visitor.seq)] {
                header.head {
                    h1 { (self.title) }
                    p.where {
                        (self.gateway.site().name) " · "
                        (self.gateway.site().clock.local(self.gateway.now()))
                    }
                }
                (content)
                @if self.visitor.signed.is_some() {
                    p.foot {
                        @if let Some(about) = &self.about {
                            a href={ "/corrections?" (about) } { (t.say("corrections-here")) } " · "
                        }
                        a href="/corrections" { (t.say("corrections-title")) }
                    }
                }
            }
            @if self.live { p.fresh hidden role="status" { a href="" { (t.say("live-moved")) } } }
        };
        document(self.visitor, &self.title, "pages", &["page.js"], &body)
    }
}

/// A whole document.
pub fn document(
    visitor: &Visitor,
    title: &str,
    class: &str,
    scripts: &[&str],
    body: &Markup,
) -> Markup {
    let t = visitor.tongue();
    let theme = match visitor.theme() {
        Theme::Device => "device",
        Theme::Dark => "dark",
        Theme::Light => "light",
    };
    let hand = match visitor.wishes().hand {
        Hand::Right => "right",
        Hand::Left => "left",
    };
    html! {
        (DOCTYPE)
        html lang=(t.code()) data-theme=(theme) data-hand=(hand) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="dark light";
                title { (title) " · Wheelward" }
                link rel="icon" href="/assets/wheel.svg" type="image/svg+xml";
                link rel="manifest" href="/assets/manifest.json";
                link rel="stylesheet" href="/assets/wheelward.css";
                @if class == "pages" { link rel="stylesheet" href="/assets/chart.css"; }
                @for script in scripts {
                    script src={ "/assets/" (script) } defer {}
                }
            }
            body.(class) {
                a.skip href="#main" { (t.say("skip")) }
                (body)
            }
        }
    }
}

/// A chart of the core, whose words are English.
pub fn figure(t: Tongue, figure: &Figure) -> Markup {
    drawn(t, figure.svg())
}

/// The same, drawn already.
pub fn drawn(t: Tongue, svg: String) -> Markup {
    html! { div.scroll lang=[(t != Tongue::En).then_some("en")] { (PreEscaped(svg)) } }
}

/// The hidden field that every form carries.
pub fn token(visitor: &Visitor) -> Markup {
    let token = visitor.signed.as_ref().map(|s| s.session.token.as_str());
    html! { input type="hidden" name="token" value=(token.unwrap_or_default()); }
}

/// Whether whoever looks may state a kind of fact, so that they are offered it.
pub fn may(visitor: &Visitor, topic: &str) -> bool {
    let role = visitor.signed.as_ref().map(|signed| signed.account.role);
    role.is_some_and(|role| people::may_state_kind(topic, Proof::SignedIn(role)).is_ok())
}

/// Whether whoever looks may correct records.
pub fn may_correct(visitor: &Visitor) -> bool {
    let role = visitor.signed.as_ref().map(|signed| signed.account.role);
    role.is_some_and(|role| people::may_correct(Proof::SignedIn(role)).is_ok())
}

/// Whether the manager's own pages are shown.
pub fn is_manager(visitor: &Visitor) -> bool {
    let role = visitor.signed.as_ref().map(|signed| signed.account.role);
    role == Some(Role::Manager)
}
