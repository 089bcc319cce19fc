//! A label printer on the network: Internet Printing Protocol, RFC 8010 and 8011.

use std::collections::BTreeMap;
use std::io::{self, Cursor};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use ipp::model::{DelimiterTag, JobState, Operation, StatusCode};
use ipp::prelude::{
    IppAttribute, IppAttributeGroup, IppClient, IppError, IppOperationBuilder, IppPayload,
    IppRequestResponse, IppValue, IppVersion, Uri,
};
use ipp::value::IppName;
use labels::Drawing;

use crate::abilities::{ASKED, Abilities, Form, hundredths};
use crate::journal::Seen;
use crate::printer::{Found, Printer, Trouble};

/// Longer than any printer here takes to answer; jobs print on after the answer.
const PATIENCE: Duration = Duration::from_secs(20);

/// How far a printer's up-time in whole seconds and our own clock may disagree.
const ROUNDING_S: i32 = 2;

/// What is asked of a job (RFC 8011, section 5.3).
const JOB_ASKED: [&str; 6] = [
    "job-id",
    "job-name",
    "job-state",
    "job-state-reasons",
    "job-impressions-completed",
    "job-media-sheets-completed",
];

/// Prints on an IPP printer.
#[derive(Debug, Clone)]
pub struct NetworkPrinter {
    uri: Uri,
    /// When the printer took a job, by the job's number.
    taken: Arc<Mutex<BTreeMap<i32, Instant>>>,
}

impl NetworkPrinter {
    /// A printer at an `ipp://` address.
    ///
    /// # Errors
    /// [`Trouble::Refused`] when the text is no address.
    pub fn new(uri: &str) -> Result<Self, Trouble> {
        let uri: Uri = uri.parse().map_err(|_| {
            Trouble::Refused(format!(
                "{uri:?} is no address such as ipp://host/ipp/print"
            ))
        })?;
        Ok(Self {
            uri,
            taken: Arc::default(),
        })
    }

    async fn ask(&self, request: IppRequestResponse) -> Result<IppRequestResponse, Trouble> {
        let client = IppClient::builder(self.uri.clone())
            .request_timeout(PATIENCE)
            .build();
        let sends = request.header().operation_or_status == Operation::PrintJob as i16;
        let answer = tokio::task::spawn_blocking(move || client.send(request))
            .await
            .map_err(|error| Trouble::Silent {
                why: error.to_string(),
                sent: sends,
            })?
            .map_err(|error| Trouble::Silent {
                sent: sends && !was_turned_away(&error),
                why: error.to_string(),
            })?;
        match answer.header().status_code() {
            status if status.is_success() => Ok(answer),
            StatusCode::ServerErrorBusy => Err(Trouble::Busy),
            // RFC 8011, appendix B: 0x05xx is the printer's own fault, not the request's.
            status if status as u16 & 0xff00 == 0x0500 => Err(Trouble::Stopped(status.to_string())),
            status => Err(Trouble::Refused(status.to_string())),
        }
    }

    fn request(&self, operation: Operation) -> Result<IppRequestResponse, Trouble> {
        IppRequestResponse::new(IppVersion::v1_1(), operation, Some(self.uri.clone()))
            .map_err(unwritable)
    }

    async fn jobs(&self, which: &str) -> Result<IppRequestResponse, Trouble> {
        let mut request = self.request(Operation::GetJobs)?;
        for (name, value) in [
            ("requested-attributes", keywords(&JOB_ASKED)?),
            ("which-jobs", keyword(which)?),
        ] {
            let attribute = IppAttribute::with_name(name, value).map_err(unwritable)?;
            request
                .attributes_mut()
                .add(DelimiterTag::OperationAttributes, attribute);
        }
        self.ask(request).await
    }

    /// What the printer can do, and how it is.
    ///
    /// # Errors
    /// [`Trouble`] when it does not answer.
    pub async fn abilities(&self) -> Result<Abilities, Trouble> {
        let request = IppOperationBuilder::get_printer_attributes(self.uri.clone())
            .attributes(ASKED)
            .build()
            .map_err(unwritable)?;
        let answer = self.ask(request.into()).await?;
        let group = answer
            .attributes()
            .first_of(DelimiterTag::PrinterAttributes);
        Ok(group.map(Abilities::of).unwrap_or_default())
    }

    fn taken(&self) -> std::sync::MutexGuard<'_, BTreeMap<i32, Instant>> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A job that the printer took and no longer knows. If it has been on ever since and has
    /// nothing to do, the job is done and forgotten.
    async fn forgotten(&self, job: i32) -> Result<Seen, Trouble> {
        let Some(taken) = self.taken().get(&job).copied() else {
            return Ok(Seen::NotAsked);
        };
        let now = self.abilities().await?;
        let since = i32::try_from(taken.elapsed().as_secs()).unwrap_or(i32::MAX);
        let on_ever_since = now.up_time_s() > since.saturating_add(ROUNDING_S);
        let done = now.idle && now.complaints.is_empty() && on_ever_since;
        Ok(if done { Seen::Printed } else { Seen::NotAsked })
    }
}

impl Printer for NetworkPrinter {
    async fn find(&self, job_name: &str, before: Option<&str>) -> Result<Found, Trouble> {
        let mut best = Seen::Unknown;
        let mut newest: Option<(i32, String)> = None;
        let mut remembers = false;
        for which in ["not-completed", "completed"] {
            let answer = self.jobs(which).await?;
            for job in answer.attributes().groups_of(DelimiterTag::JobAttributes) {
                let (Some(name), Some(id)) = (name_of(job), number(job, "job-id")) else {
                    continue;
                };
                if name == job_name {
                    best = further(best, seen(job));
                }
                let called = format!("{id} {name}");
                remembers |= before == Some(&called);
                if newest.as_ref().is_none_or(|(newest, _)| id > *newest) {
                    newest = Some((id, called));
                }
            }
        }
        if best == Seen::Unknown && remembers {
            best = Seen::Absent;
        }
        Ok(Found {
            seen: best,
            newest: newest.map(|(_, called)| called),
        })
    }

    async fn send(&self, job_name: &str, label: &Drawing) -> Result<Seen, Trouble> {
        let abilities = self.abilities().await?;
        if !abilities.complaints.is_empty() {
            return Err(Trouble::Stopped(abilities.complaints.join(", ")));
        }
        let form = abilities.form(label.dpi)?;
        let (width, height) = label.size_mm();
        let names_sizes = abilities.has_labels(width, height)?;
        let document = render(job_name, label, form)?;
        let mut attributes = vec![
            // The dots are the label: a printer that fits the picture to its page would tear
            // the symbol's modules off the grid.
            IppAttribute::with_name("print-scaling", keyword("none")?).map_err(unwritable)?,
        ];
        if names_sizes {
            attributes.push(media_col(width, height)?);
        }
        let payload = IppPayload::new(Cursor::new(document));
        let request = IppOperationBuilder::print_job(self.uri.clone(), payload)
            .user_name("wheelward")
            .job_title(job_name)
            .document_format(form.mime())
            .attributes(attributes)
            .build()
            .map_err(unwritable)?;
        let answer = self.ask(request.into()).await?;
        let job = answer.attributes().first_of(DelimiterTag::JobAttributes);
        if let Some(id) = job.and_then(|job| number(job, "job-id")) {
            let mut taken = self.taken();
            taken.insert(id, monotonic());
            while taken.len() > 100 {
                taken.pop_first();
            }
        }
        Ok(job.map_or(Seen::NotAsked, seen))
    }

    async fn watch(&self, job: i32) -> Result<Seen, Trouble> {
        let request = IppOperationBuilder::get_job_attributes(self.uri.clone(), job)
            .build()
            .map_err(unwritable)?;
        let now = match self.ask(request.into()).await {
            Ok(answer) => answer
                .attributes()
                .first_of(DelimiterTag::JobAttributes)
                .map_or(Seen::NotAsked, seen),
            // The printer was switched off and on, or forgets jobs as soon as they are done.
            Err(Trouble::Refused(_)) => self.forgotten(job).await?,
            Err(trouble) => return Err(trouble),
        };
        if matches!(now, Seen::Working(_)) {
            let complaints = self.abilities().await?.complaints;
            if !complaints.is_empty() {
                return Err(Trouble::Stopped(complaints.join(", ")));
            }
        }
        Ok(now)
    }
}

/// How long ago, not what time it is.
#[allow(clippy::disallowed_methods)] // measures how long, in a shell
fn monotonic() -> Instant {
    Instant::now()
}

fn render(job_name: &str, label: &Drawing, form: Form) -> Result<Vec<u8>, Trouble> {
    let drawn = match form {
        Form::PwgRaster(dots) => Ok(label.bitmap().pwg_raster(dots)),
        Form::Png => label.bitmap().png(),
        Form::Pdf => labels::pdf(job_name, std::slice::from_ref(label)),
    };
    drawn.map_err(|error| Trouble::Refused(error.to_string()))
}

/// `media-col` with the label's size (PWG 5100.7, section 6.3).
fn media_col(width: f32, height: f32) -> Result<IppAttribute, Trouble> {
    let name = |name: &str| IppName::new(name).map_err(unwritable);
    let size = BTreeMap::from([
        (name("x-dimension")?, IppValue::Integer(hundredths(width))),
        (name("y-dimension")?, IppValue::Integer(hundredths(height))),
    ]);
    let col = BTreeMap::from([(name("media-size")?, IppValue::Collection(size))]);
    IppAttribute::with_name("media-col", IppValue::Collection(col)).map_err(unwritable)
}

/// Whether the connection was refused, so that nothing can have arrived.
fn was_turned_away(error: &IppError) -> bool {
    let mut source: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(error) = source {
        let refused = error
            .downcast_ref::<io::Error>()
            .is_some_and(|error| error.kind() == io::ErrorKind::ConnectionRefused);
        if refused {
            return true;
        }
        source = error.source();
    }
    false
}

fn name_of(job: &IppAttributeGroup) -> Option<&str> {
    match job.get("job-name")?.value() {
        IppValue::NameWithoutLanguage(name) | IppValue::NameWithLanguage { name, .. } => Some(name),
        _ => None,
    }
}

fn number(job: &IppAttributeGroup, name: &str) -> Option<i32> {
    match job.get(name).map(IppAttribute::value) {
        Some(IppValue::Integer(number) | IppValue::Enum(number)) => Some(*number),
        _ => None,
    }
}

/// A job's state: RFC 8011, section 5.3.7.
fn seen(job: &IppAttributeGroup) -> Seen {
    const CANCELED: i32 = JobState::Canceled as i32;
    const ABORTED: i32 = JobState::Aborted as i32;
    const COMPLETED: i32 = JobState::Completed as i32;
    let (Some(id), Some(state)) = (number(job, "job-id"), number(job, "job-state")) else {
        return Seen::NotAsked;
    };
    let came_out = ["job-impressions-completed", "job-media-sheets-completed"]
        .iter()
        .any(|count| number(job, count).is_some_and(|count| count > 0));
    match state {
        COMPLETED => Seen::Printed,
        ABORTED if !came_out => Seen::GaveUp,
        ABORTED | CANCELED => Seen::Broken,
        _ => Seen::Working(id),
    }
}

/// Of two jobs of one name, the one that has come further: one label on paper is enough.
const fn further(one: Seen, other: Seen) -> Seen {
    const fn rank(seen: Seen) -> u8 {
        match seen {
            Seen::Printed => 5,
            Seen::Working(_) => 4,
            Seen::Broken => 3,
            Seen::GaveUp => 2,
            Seen::Absent | Seen::NotAsked => 1,
            Seen::Unknown => 0,
        }
    }
    if rank(other) > rank(one) { other } else { one }
}

fn keyword(word: &str) -> Result<IppValue, Trouble> {
    IppValue::new_keyword(word).map_err(unwritable)
}

fn keywords(words: &[&str]) -> Result<IppValue, Trouble> {
    let words: Result<_, _> = words.iter().map(|word| keyword(word)).collect();
    Ok(IppValue::Array(words?))
}

fn unwritable(error: impl Into<IppError>) -> Trouble {
    Trouble::Refused(error.into().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_two_jobs_of_one_name_the_label_on_paper_counts() {
        let all = [
            Seen::Unknown,
            Seen::GaveUp,
            Seen::Broken,
            Seen::Working(3),
            Seen::Printed,
        ];
        for (place, less) in all.into_iter().enumerate() {
            for more in all.into_iter().skip(place) {
                assert_eq!(further(less, more), more);
                assert_eq!(further(more, less), more);
            }
        }
    }

    #[test]
    fn what_is_no_address_is_refused() {
        assert!(NetworkPrinter::new("ipp://labels.local/ipp/print").is_ok());
        assert!(NetworkPrinter::new("not an address").is_err());
    }
}
