//! The list of routes: one line adds a route to the router, to the guard's scopes and to the document.
//!
//! ```text
//! r.get("/api/v1/jobs", jobs::list, about("Jobs, newest first").tag("jobs").pages().gives("JobList").ledger());
//! r.post("/api/v1/jobs", jobs::make, about("A new job").tag("jobs").scope(Operate).takes("NewJob").gives("Job"));
//! ```
//!
//! `takes` and `gives` name schemas of `serve/schemas.json`. Every answer that a
//! route may give beside 200 is a problem; those that the guard and the body give
//! are put in by themselves, the others are named with `may(status)`.

use super::guard::Scope;
use super::state::AppState;
use axum::Router;
use axum::handler::Handler;
use axum::http::Method;
use axum::routing::{get, post};
use std::collections::HashMap;

/// What is said of a route.
#[derive(Clone, Debug)]
pub(super) struct About {
    pub says: &'static str,
    /// What a line does not hold.
    pub more: Option<&'static str>,
    /// Server-sent events: name, schema of the data, what it is.
    pub tells: Vec<(&'static str, &'static str, &'static str)>,
    pub tag: &'static str,
    /// `None`: open to everybody who passes Host and Origin.
    pub scope: Option<Scope>,
    /// Schema of the JSON body.
    pub takes: Option<&'static str>,
    /// Media type of the good answer, and its schema where it is JSON.
    pub gives: (&'static str, Option<&'static str>),
    /// Whether `?format=csv` gives the same as CSV.
    pub csv: bool,
    /// Whether it has an ETag.
    pub tagged: bool,
    /// Query parameters and headers: where, name, schema, what it is.
    pub asks: Vec<(&'static str, &'static str, &'static str, &'static str)>,
    /// Problems of its own.
    pub may: Vec<u16>,
    /// Other answers that are JSON of a schema.
    pub also: Vec<(u16, &'static str)>,
}

/// What it does, in a line. Scope `watch`, until it is said otherwise; what it gives is said always.
pub(super) fn about(says: &'static str) -> About {
    About {
        says,
        more: None,
        tells: Vec::new(),
        tag: "stations",
        scope: Some(Scope::Watch),
        takes: None,
        gives: ("application/json", Some("not said")),
        csv: false,
        tagged: false,
        asks: Vec::new(),
        may: Vec::new(),
        also: Vec::new(),
    }
}

impl About {
    pub fn tag(mut self, tag: &'static str) -> About {
        self.tag = tag;
        self
    }
    pub fn scope(mut self, scope: Scope) -> About {
        self.scope = Some(scope);
        self
    }
    /// No token is needed, wherever it is asked from.
    pub fn open(mut self) -> About {
        self.scope = None;
        self
    }
    /// A JSON body of that schema.
    pub fn takes(mut self, schema: &'static str) -> About {
        self.takes = Some(schema);
        self
    }
    /// What a line does not hold.
    pub fn more(mut self, more: &'static str) -> About {
        self.more = Some(more);
        self
    }
    /// Among its server-sent events is one of that name, with JSON of that schema.
    pub fn tells(mut self, event: &'static str, schema: &'static str, says: &'static str) -> About {
        self.tells.push((event, schema, says));
        self
    }
    /// JSON of that schema.
    pub fn gives(mut self, schema: &'static str) -> About {
        self.gives = ("application/json", Some(schema));
        self
    }
    /// Text of that media type.
    pub fn text(mut self, media: &'static str) -> About {
        self.gives = (media, None);
        self
    }
    /// The same as CSV with `?format=csv`.
    pub fn or_csv(mut self) -> About {
        self.csv = true;
        self.query("format", "Format", "csv instead of json: a row of names, then a row each")
    }
    pub fn query(mut self, name: &'static str, schema: &'static str, says: &'static str) -> About {
        self.asks.push(("query", name, schema, says));
        self
    }
    pub fn header(mut self, name: &'static str, schema: &'static str, says: &'static str) -> About {
        self.asks.push(("header", name, schema, says));
        self
    }
    /// A list in pages.
    pub fn pages(self) -> About {
        self.query("limit", "Limit", "at most so many; 50 if not said").query(
            "after",
            "Cursor",
            "what comes after that one in the list; the Link header of an answer has its next page",
        )
    }
    /// A list that is searched.
    pub fn searched(self) -> About {
        self.query(
            "find",
            "Words",
            "only lines that have each of these words somewhere: lot, customer, part, tank, who, day (2026-01-31) …",
        )
    }
    /// It has an ETag, and answers 304 to who has it already.
    pub fn tagged(mut self) -> About {
        self.tagged = true;
        self.header("If-None-Match", "Text", "the ETag of an earlier answer")
    }
    /// Server-sent events that can be resumed.
    pub fn streams(self) -> About {
        self.text("text/event-stream")
            .header("Last-Event-ID", "Text", "the id of the last event seen")
            .may(503)
    }
    /// It may also answer a problem of that status.
    pub fn may(mut self, status: u16) -> About {
        self.may.push(status);
        self
    }
    /// 503, when the ledger cannot be read or written.
    pub fn ledger(self) -> About {
        self.may(503)
    }
    /// It may also answer JSON of that schema with that status.
    pub fn also(mut self, status: u16, schema: &'static str) -> About {
        self.also.push((status, schema));
        self
    }
}

/// One route as it stands in the document.
#[derive(Clone, Debug)]
pub(super) struct Listed {
    pub method: Method,
    pub path: &'static str,
    pub about: About,
}

/// The routes so far.
pub(super) struct Routes {
    router: Router<AppState>,
    list: Vec<Listed>,
}

impl Routes {
    pub fn new() -> Routes {
        Routes { router: Router::new(), list: Vec::new() }
    }

    pub fn get<H, T>(&mut self, path: &'static str, handler: H, about: About)
    where
        H: Handler<T, AppState>,
        T: 'static,
    {
        self.router = std::mem::take(&mut self.router).route(path, get(handler));
        self.list.push(Listed { method: Method::GET, path, about });
    }

    pub fn post<H, T>(&mut self, path: &'static str, handler: H, about: About)
    where
        H: Handler<T, AppState>,
        T: 'static,
    {
        self.router = std::mem::take(&mut self.router).route(path, post(handler));
        self.list.push(Listed { method: Method::POST, path, about });
    }

    /// The router without its layers, and the list.
    pub fn done(self) -> (Router<AppState>, Table) {
        let scopes = self.list.iter().map(|l| ((l.method.clone(), l.path), l.about.scope)).collect();
        (self.router, Table { scopes, list: self.list })
    }
}

/// Every route that is served.
pub(super) struct Table {
    scopes: HashMap<(Method, &'static str), Option<Scope>>,
    pub list: Vec<Listed>,
}

impl Table {
    /// Whether that method is served at that route.
    pub fn lists(&self, method: &Method, matched: Option<&str>) -> bool {
        matched.is_some_and(|path| self.scopes.contains_key(&(method.clone(), path)))
    }

    /// What is needed for that method at that route; `None`: nothing.
    pub fn needs(&self, method: &Method, matched: Option<&str>) -> Option<Scope> {
        let method = if *method == Method::HEAD { &Method::GET } else { method };
        let listed = matched.and_then(|path| self.scopes.get(&(method.clone(), path)));
        match listed {
            Some(scope) => *scope,
            // Nothing is there, or somebody forgot the list: then rather too much than too little.
            None if *method == Method::GET && matched.is_some_and(|p| p.starts_with("/page")) => None,
            None if *method == Method::GET => Some(Scope::Watch),
            None => Some(Scope::Admin),
        }
    }
}
