//! HTTP by hand: requests that no well-behaved client would send are needed too.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    /// By lower-case name.
    pub headers: BTreeMap<String, String>,
    pub body: String,
}

impl Answer {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }
}

/// Asks for a path under the page's own name.
pub fn get(page: SocketAddr, path: &str, headers: &[&str]) -> Option<Answer> {
    let mut all = vec![format!("Host: {page}")];
    all.extend(headers.iter().map(|header| (*header).to_owned()));
    send(page, &format!("GET {path} HTTP/1.1\r\n{}\r\nConnection: close\r\n\r\n", all.join("\r\n")))
}

/// Sends a request as it stands, and reads until the server closes; nothing where nobody listens.
pub fn send(page: SocketAddr, request: &str) -> Option<Answer> {
    let mut stream = TcpStream::connect(page).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).ok()?;
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n")?;
    let mut lines = head.lines();
    let status = lines.next()?.split(' ').nth(1)?.parse().unwrap();
    let headers = lines.filter_map(|line| line.split_once(": "));
    let headers = headers.map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned())).collect();
    Some(Answer { status, headers, body: body.to_owned() })
}
