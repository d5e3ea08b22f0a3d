//! Why the broker is not to be had, in words that say what to do.

use std::error::Error;
use std::io;

use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, DisconnectReasonCode, PubAckReason};
use rumqttc::v5::{ConnectionError, StateError};
use rustls::CertificateError;

use crate::edge::broker::News;

/// What an error of the connection means.
pub(super) fn of(error: &ConnectionError, host: &str) -> News {
    // The library does not name what it met while reading as the source of its error.
    let chain: &(dyn Error + 'static) = match error {
        ConnectionError::MqttState(StateError::Deserialization(inner)) => inner,
        other => other,
    };
    if let Some(certificate) = cause::<rustls::Error>(chain) {
        return News { event: "broker-certificate", detail: certificate_words(certificate, host) };
    }
    match error {
        ConnectionError::ConnectionRefused(code) => refused(connect_words(*code)),
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
            let said = reason_string.as_ref().map_or(String::new(), |said| format!(" ({said})"));
            let words = disconnect_words(*reason_code);
            News { event: "broker-away", detail: format!("it ended the connection: {words}{said}") }
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            away("it closed the connection; where that was at once, does it want TLS?")
        }
        ConnectionError::MqttState(StateError::AwaitPingResp) | ConnectionError::Timeout(_) => {
            away("it does not answer")
        }
        ConnectionError::NotConnAck(_) => away("what answers there is no MQTT 5 broker"),
        other => match cause::<io::Error>(chain) {
            Some(error) if error.kind() == io::ErrorKind::ConnectionRefused => {
                away("nothing listens there: connection refused")
            }
            Some(error) => away(&error.to_string()),
            None => away(&other.to_string()),
        },
    }
}

/// Nothing is heard of the broker for longer than its library allows.
pub(super) fn silent() -> News {
    away("it does not answer")
}

/// A message was not taken.
pub(super) fn not_taken(reason: PubAckReason, topic: &str) -> News {
    let words = match reason {
        PubAckReason::NotAuthorized => {
            return refused(&format!(
                "we may not publish to `{topic}` (0x87); the broker's access rules must allow it"
            ));
        }
        PubAckReason::QuotaExceeded => "its quota is used up (0x97)",
        PubAckReason::TopicNameInvalid => "the topic is wrong for it (0x90)",
        PubAckReason::PayloadFormatInvalid => "the message's form is wrong for it (0x99)",
        PubAckReason::ImplementationSpecificError => "for a reason of its own (0x83)",
        _ => "it does not say why (0x80)",
    };
    refused(&format!("`{topic}` is not taken: {words}"))
}

fn away(detail: &str) -> News {
    News { event: "broker-away", detail: detail.to_owned() }
}

fn refused(detail: &str) -> News {
    News { event: "broker-refused", detail: detail.to_owned() }
}

/// The first cause of this kind in the chain; an I/O error may carry another within.
fn cause<'a, T: Error + 'static>(error: &'a (dyn Error + 'static)) -> Option<&'a T> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(found) = error.downcast_ref() {
            return Some(found);
        }
        let inner = error.downcast_ref::<io::Error>().and_then(io::Error::get_ref);
        next = match inner {
            Some(inner) => Some(inner),
            None => error.source(),
        };
    }
    None
}

fn certificate_words(error: &rustls::Error, host: &str) -> String {
    use CertificateError as C;
    match error {
        rustls::Error::InvalidCertificate(why) => match why {
            C::Expired | C::ExpiredContext { .. } => {
                "the broker's certificate has expired; renew it, or set this machine's clock".into()
            }
            C::NotValidYet | C::NotValidYetContext { .. } => {
                "the broker's certificate is not valid yet; is this machine's clock right?".into()
            }
            C::UnknownIssuer => "the broker's certificate is signed by nobody whom we trust; name \
                                 its CA: broker.ca_file"
                .into(),
            C::NotValidForName | C::NotValidForNameContext { .. } => {
                format!("the broker's certificate is for another host than `{host}`")
            }
            C::Revoked => "the broker's certificate was revoked".into(),
            other => format!("the broker's certificate is wrong: {other}"),
        },
        rustls::Error::AlertReceived(alert) => {
            let why = "it does not accept our certificate, or wants one: broker.certificate_file";
            format!("the broker ended the handshake ({alert:?}); {why}")
        }
        rustls::Error::InvalidMessage(_) => {
            "what answers there does not speak TLS; is the port right, or should it be tls = \
             false?"
                .into()
        }
        other => format!("TLS with the broker failed: {other}"),
    }
}

/// A reason code of CONNACK (MQTT 5.0, 3.2.2.2) in words.
const fn connect_words(code: ConnectReturnCode) -> &'static str {
    use ConnectReturnCode as C;
    match code {
        C::BadUserNamePassword => {
            "user name or password is wrong (0x86); see broker.user and broker.password_file"
        }
        C::NotAuthorized => "we may not connect (0x87); see broker.user and broker.password_file",
        C::ClientIdentifierNotValid | C::BadClientId => {
            "our name is not allowed (0x85); see broker.client"
        }
        C::UnsupportedProtocolVersion | C::RefusedProtocolVersion => {
            "it does not speak MQTT 5 (0x84)"
        }
        C::ServerUnavailable | C::ServiceUnavailable => "it is not available (0x88)",
        C::ServerBusy => "it is busy (0x89)",
        C::Banned => "we are banned (0x8A); its administrator knows why",
        C::BadAuthenticationMethod => "it wants another way to log in (0x8C)",
        C::TopicNameInvalid => "the topic of our last will is wrong for it (0x90)",
        C::PacketTooLarge => "our last will is too large for it (0x95)",
        C::QuotaExceeded => "its quota is used up (0x97)",
        C::RetainNotSupported => "it keeps no messages (0x9A), which presence and state need",
        C::QoSNotSupported => "it does not support QoS 1 (0x9B)",
        C::UseAnotherServer | C::ServerMoved => "it has moved (0x9C); ask for its new address",
        C::ConnectionRateExceeded => "too many connections in a short time (0x9F)",
        C::MalformedPacket | C::ProtocolError => "it did not understand us (0x81)",
        _ => "it does not say why (0x80)",
    }
}

/// A reason code of DISCONNECT (MQTT 5.0, 3.14.2.1) in words.
const fn disconnect_words(code: DisconnectReasonCode) -> &'static str {
    use DisconnectReasonCode as C;
    match code {
        C::NotAuthorized => "we may not do what we did (0x87)",
        C::ServerBusy => "it is busy (0x89)",
        C::ServerShuttingDown => "it shuts down (0x8B)",
        C::KeepAliveTimeout => "it did not hear us for too long (0x8D)",
        C::SessionTakenOver => {
            "another client has connected under our name (0x8E); give each job its own \
             broker.client"
        }
        C::PacketTooLarge => "a message was too large for it (0x95)",
        C::MessageRateTooHigh => "we sent too much at once (0x96)",
        C::QuotaExceeded => "its quota is used up (0x97)",
        C::AdministrativeAction => "its administrator did (0x98)",
        C::UseAnotherServer | C::ServerMoved => "it has moved (0x9C); ask for its new address",
        C::ConnectionRateExceeded => "too many connections in a short time (0x9F)",
        C::MaximumConnectTime => "the longest time allowed is over (0xA0)",
        _ => "it does not say why",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(error: &ConnectionError, event: &str, words: &str) {
        let News { event: told, detail } = of(error, "broker.example");
        assert_eq!(told, event, "{detail}");
        assert!(detail.contains(words), "{detail}");
    }

    fn certificate(error: CertificateError) -> ConnectionError {
        let inner = rustls::Error::InvalidCertificate(error);
        ConnectionError::Tls(rumqttc::TlsError::Io(io::Error::other(inner)))
    }

    #[test]
    fn each_trouble_is_told_for_what_it_is() {
        check(&certificate(CertificateError::Expired), "broker-certificate", "expired");
        check(&certificate(CertificateError::UnknownIssuer), "broker-certificate", "ca_file");
        check(
            &certificate(CertificateError::NotValidForName),
            "broker-certificate",
            "broker.example",
        );
        let refused = ConnectionError::ConnectionRefused(ConnectReturnCode::BadUserNamePassword);
        check(&refused, "broker-refused", "password is wrong (0x86)");
        let gone = ConnectionError::Io(io::ErrorKind::ConnectionRefused.into());
        check(&gone, "broker-away", "nothing listens there");
        let taken = StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            reason_string: None,
        };
        check(&ConnectionError::MqttState(taken), "broker-away", "broker.client");
        // Alerts come as errors of the stream that is read.
        let alert = rustls::Error::AlertReceived(rustls::AlertDescription::CertificateRequired);
        let read = rumqttc::v5::mqttbytes::Error::Io(io::Error::other(alert));
        let state = StateError::Deserialization(read);
        check(&ConnectionError::MqttState(state), "broker-certificate", "certificate_file");
    }
}
