//! Who asks: access keys from the environment or from profile files, where other programs for object storage look too.
//!
//! Knows the usual variables (`AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`, `AWS_SESSION_TOKEN`, `AWS_PROFILE`, `AWS_REGION`,
//! `AWS_DEFAULT_REGION`, `AWS_ENDPOINT_URL`, `AWS_ENDPOINT_URL_S3`, `AWS_SHARED_CREDENTIALS_FILE`, `AWS_CONFIG_FILE`) and the form of
//! the files. Never prints, logs or repeats what they hold: no error names more than a file, a profile and a key's name.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The largest profile file that is read, in bytes.
const LIMIT: u64 = 1 << 20;

/// Something that was said, and where.
#[derive(Clone, PartialEq, Eq)]
pub struct Said {
    /// What.
    pub value: String,
    /// A variable of the environment, or the line of a file.
    pub from: String,
}

impl std::fmt::Debug for Said {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Said by {}", self.from)
    }
}

/// What is needed to ask.
#[derive(Clone, PartialEq, Eq)]
pub struct Credentials {
    /// The access key's id.
    pub id: Said,
    /// Its secret.
    pub secret: Said,
    /// The token of keys that last a while.
    pub token: Option<Said>,
}

impl std::fmt::Debug for Credentials {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Credentials")
    }
}

/// Who wants a key, as not everybody can be given one in the same way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Asks {
    /// A person at a terminal.
    #[default]
    Person,
    /// A task on a cluster, which is given no variables of the person's.
    Task,
}

/// What the environment and the profile files say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Known {
    /// Who asks here.
    pub asks: Asks,
    /// Who asks; nothing where none are given.
    pub credentials: Option<Credentials>,
    /// The region, where one is said.
    pub region: Option<Said>,
    /// The service, where one is said.
    pub endpoint: Option<Said>,
}

impl Known {
    /// Who asks, where that is known.
    ///
    /// # Errors
    /// It is not known; words on how to say it.
    pub fn need(&self) -> Result<&Credentials, &'static str> {
        self.credentials.as_ref().ok_or(match self.asks {
            Asks::Person => {
                "there is no access key: set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or AWS_PROFILE to a profile \
                 of ~/.aws/credentials"
            }
            Asks::Task => {
                "there is no access key: write one under [default] in ~/.aws/credentials of whoever runs the tasks, as \
                 tasks are given no AWS_ variables"
            }
        })
    }
}

/// Values of a profile and their lines in the file, by name.
type Profile = BTreeMap<String, (String, usize)>;

/// Looks for them, for the one who asks: `variable` gives a variable of the environment, an empty one counting as none.
///
/// # Errors
/// A profile that is named is nowhere, a file cannot be read, a key holds what no key can, or there is half of one.
pub fn find(asks: Asks, variable: &dyn Fn(&str) -> Option<String>) -> Result<Known, String> {
    let get = |name: &str| variable(name).filter(|value| !value.trim().is_empty());
    let home = get("HOME").map(PathBuf::from);
    let file = |name: &str, usual: &str| {
        get(name).map(PathBuf::from).or_else(|| home.as_ref().map(|home| home.join(usual)))
    };
    let named = get("AWS_PROFILE");
    let wanted = named.clone().unwrap_or_else(|| "default".into());
    let mut profile: BTreeMap<String, Said> = BTreeMap::new();
    let mut is_found = false;
    for (path, is_config) in [
        (file("AWS_CONFIG_FILE", ".aws/config"), true),
        (file("AWS_SHARED_CREDENTIALS_FILE", ".aws/credentials"), false),
    ] {
        let Some(path) = path else { continue };
        let Some(text) = read(&path)? else { continue };
        if let Some(found) = section(&text, &wanted, is_config) {
            is_found = true;
            let from = |line| format!("{}:{line}", path.display());
            let said = |(name, (value, line))| (name, Said { value, from: from(line) });
            profile.extend(found.into_iter().map(said));
        }
    }
    if named.is_some() && !is_found {
        let wanted = wanted.escape_debug();
        return Err(format!("AWS_PROFILE names the profile '{wanted}', which is in no profile file"));
    }
    let own = |name: &str| get(name).map(|value| Said { value, from: name.into() });
    let of = |name: &str| profile.get(name).cloned();
    const OWN: [&str; 3] = ["AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN"];
    const OF: [&str; 3] = ["aws_access_key_id", "aws_secret_access_key", "aws_session_token"];
    // Half a key in the variables is a slip: with the profile's in its place, somebody else would be asking.
    let of_variables = whole(OWN, &own, &|is, is_not| {
        format!("{is} is set and {is_not} is not: set both, or neither where the profile's key is meant")
    })?;
    let credentials = match of_variables {
        Some(all) => Some(all),
        None => whole(OF, &of, &|is, is_not| format!("{is}: half a key, as the profile has no {is_not}"))?,
    };
    Ok(Known {
        asks,
        credentials,
        region: own("AWS_REGION").or_else(|| own("AWS_DEFAULT_REGION")).or_else(|| of("region")),
        endpoint: own("AWS_ENDPOINT_URL_S3")
            .or_else(|| own("AWS_ENDPOINT_URL"))
            .or_else(|| of("endpoint_url")),
    })
}

/// A key's id, its secret and its token, by their names. `half` gives words for half of one: where it is said, and what is lacking.
fn whole(
    names: [&str; 3],
    get: &dyn Fn(&str) -> Option<Said>,
    half: &dyn Fn(&str, &str) -> String,
) -> Result<Option<Credentials>, String> {
    match names.map(get) {
        [Some(id), Some(secret), token] => {
            Ok(Some(Credentials { id: key(id)?, secret: key(secret)?, token: token.map(key).transpose()? }))
        }
        [Some(id), None, _] => Err(half(&id.from, names[1])),
        [None, Some(secret), _] => Err(half(&secret.from, names[0])),
        [None, None, _] => Ok(None),
    }
}

/// A key as it can be sent: visible characters of ASCII.
fn key(said: Said) -> Result<Said, String> {
    match said.value.bytes().all(|b| b.is_ascii_graphic()) {
        true => Ok(said),
        false => Err(format!(
            "{} holds a character that no key has, such as a space or the end of a line",
            said.from
        )),
    }
}

fn read(path: &Path) -> Result<Option<String>, String> {
    let refused = |why: String| format!("{}: {why}", path.display());
    match std::fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(refused(error.to_string())),
        Ok(meta) if !meta.is_file() => return Err(refused("it is not a regular file".into())),
        Ok(meta) if meta.len() > LIMIT => return Err(refused("it is larger than 1 MiB".into())),
        Ok(_) => {}
    }
    std::fs::read_to_string(path).map(Some).map_err(|error| refused(error.to_string()))
}

/// The keys of a profile. In the config file every section but the usual one begins with the word `profile`.
fn section(text: &str, wanted: &str, is_config: bool) -> Option<Profile> {
    let mut found: Option<Profile> = None;
    let mut is_in = false;
    for (number, line) in (1..).zip(text.lines()) {
        // An indented line belongs to the key before it, and says nothing that is asked for here.
        if line.starts_with([' ', '\t']) {
            continue;
        }
        let line = line.trim_end();
        if let Some(title) = line.strip_prefix('[').and_then(|rest| rest.split(']').next()) {
            let title = title.trim();
            let name = match title.strip_prefix("profile ").filter(|_| is_config) {
                Some(name) => name.trim(),
                None if is_config && title != "default" => "",
                None => title,
            };
            is_in = name == wanted;
            if is_in {
                found.get_or_insert_default();
            }
        } else if let Some((key, value)) =
            line.split_once('=').filter(|_| is_in && !line.starts_with(['#', ';']))
        {
            let value = value.split(" #").next().unwrap_or_default().trim();
            if !value.is_empty() {
                found.get_or_insert_default().insert(key.trim().to_ascii_lowercase(), (value.into(), number));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const CREDENTIALS: &str = "[default]\naws_access_key_id = BRINE\naws_secret_access_key=salt/lamp= # a word\n\n\
        [raker]\n; a comment\naws_access_key_id=RAKER\naws_secret_access_key = glass\naws_session_token= pole\n";
    const CONFIG: &str = "[default]\nregion = eu-north-1\ns3 =\n  max_concurrent_requests = 20\n\
        [profile raker]\nregion=eu-west-3\nendpoint_url = http://127.0.0.1:9\n[raker]\nregion=nowhere\n";

    fn found(variables: &[(&str, &str)]) -> Result<Known, String> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join(".aws")).unwrap();
        std::fs::write(folder.path().join(".aws/credentials"), CREDENTIALS).unwrap();
        std::fs::write(folder.path().join(".aws/config"), CONFIG).unwrap();
        find(Asks::Person, &|name| match name {
            "HOME" => Some(folder.path().display().to_string()),
            _ => variables.iter().find(|(n, _)| *n == name).map(|(_, value)| value.to_string()),
        })
    }

    fn told(known: Known) -> (String, String, Option<String>, Option<String>, Option<String>) {
        let credentials = known.credentials.unwrap();
        let value = |said: Option<Said>| said.map(|said| said.value);
        let (id, secret) = (credentials.id.value, credentials.secret.value);
        (id, secret, value(credentials.token), value(known.region), value(known.endpoint))
    }

    #[test]
    fn a_key_that_cannot_be_is_told_by_its_variable_or_line() {
        let both = |id: &'static str, secret: &'static str| {
            found(&[("AWS_ACCESS_KEY_ID", id), ("AWS_SECRET_ACCESS_KEY", secret)]).unwrap_err()
        };
        for (said, name) in [
            (both("salt\r", "lamp"), "AWS_ACCESS_KEY_ID holds"),
            (both("salt", "lamp\n"), "AWS_SECRET_ACCESS_KEY holds"),
            (both("salt", "lämp"), "AWS_SECRET_ACCESS_KEY holds"),
        ] {
            assert!(said.starts_with(name) && !said.contains("lamp"), "{said}");
        }
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("keys").display().to_string();
        std::fs::write(&file, "[default]\naws_access_key_id = SALT\naws_secret_access_key = la\x07mp\n")
            .unwrap();
        let said = find(Asks::Person, &|name| (name == "AWS_SHARED_CREDENTIALS_FILE").then(|| file.clone()))
            .unwrap_err();
        assert!(said.contains("keys:3 holds a character"), "{said}");
        let said = found(&[("AWS_PROFILE", "\x1b[31m")]).unwrap_err();
        assert!(!said.contains('\x1b'), "{said}");
    }

    #[test]
    fn the_usual_profile_is_read_and_another_by_its_name() {
        let some = |text: &str| Some(text.to_string());
        assert_eq!(
            told(found(&[]).unwrap()),
            ("BRINE".into(), "salt/lamp=".into(), None, some("eu-north-1"), None)
        );
        assert_eq!(
            told(found(&[("AWS_PROFILE", "raker")]).unwrap()),
            ("RAKER".into(), "glass".into(), some("pole"), some("eu-west-3"), some("http://127.0.0.1:9"))
        );
        assert_eq!(
            found(&[("AWS_PROFILE", "keeper")]),
            Err("AWS_PROFILE names the profile 'keeper', which is in no profile file".into())
        );
    }

    #[test]
    fn the_environment_comes_first_and_half_a_key_is_a_slip() {
        let both = [("AWS_ACCESS_KEY_ID", "OWN"), ("AWS_SECRET_ACCESS_KEY", "own"), ("AWS_REGION", "here")];
        assert_eq!(told(found(&both).unwrap()).0, "OWN");
        assert_eq!(told(found(&both).unwrap()).3, Some("here".into()));
        // The profile's key in its place would be somebody else asking.
        let [id, secret] = [0, 1].map(|n| found(&both[n..=n]).unwrap_err());
        assert!(id.starts_with("AWS_ACCESS_KEY_ID is set and AWS_SECRET_ACCESS_KEY is not"), "{id}");
        assert!(secret.starts_with("AWS_SECRET_ACCESS_KEY is set and AWS_ACCESS_KEY_ID is not"), "{secret}");
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("keys").display().to_string();
        for (line, lacking) in [
            ("aws_access_key_id = SALT", "aws_secret_access_key"),
            ("aws_secret_access_key = lamp", "aws_access_key_id"),
        ] {
            std::fs::write(&file, format!("[default]\n{line}\n")).unwrap();
            let of = |name: &str| (name == "AWS_SHARED_CREDENTIALS_FILE").then(|| file.clone());
            let said = find(Asks::Person, &of).unwrap_err();
            assert_eq!(said, format!("{file}:2: half a key, as the profile has no {lacking}"));
            // Whole ones in the variables are enough.
            let variables = |name: &str| of(name).or_else(|| name.starts_with("AWS_").then(|| "own".into()));
            let known = find(Asks::Person, &|name| variables(name).filter(|_| name != "AWS_PROFILE"));
            assert_eq!(known.unwrap().need().unwrap().id.value, "own");
        }
    }

    #[test]
    fn the_way_to_a_key_is_one_that_whoever_asks_can_go() {
        let need = |asks| find(asks, &|_| None).unwrap().need().unwrap_err();
        let (person, task) = (need(Asks::Person), need(Asks::Task));
        assert!(person.contains("set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"), "{person}");
        assert!(task.contains("under [default] in ~/.aws/credentials"), "{task}");
        assert!(!task.contains("set AWS_") && !task.contains("AWS_PROFILE"), "{task}");
        assert_eq!(find(Asks::Person, &|_| None), Ok(Known::default()));
    }

    #[test]
    fn nothing_secret_is_shown() {
        assert_eq!(format!("{:?}", found(&[]).unwrap().credentials), "Some(Credentials)");
    }

    proptest! {
        #[test]
        fn whatever_stands_in_a_file_breaks_nothing(text in "(\\[[a-z ]{0,9}\\]?|[a-z_]{0,5} ?= ?.{0,5}|.{0,9}|\n){0,20}") {
            let _ = section(&text, "default", true);
            let _ = section(&text, "default", false);
        }
    }
}
