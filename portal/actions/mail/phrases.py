"""What mails say around their facts, in each language."""

from __future__ import annotations

PHRASES: dict[str, dict[str, str]] = {
    "en": {
        "readings": "Your readings say that their output is about {loss} below clean.",
        "readings_no_loss": "Your readings say so.",
        "calendar": "Your readings cannot tell how dirty they are, so this date comes from the calendar: {rule}.",
        "calendar_blind": "We have no readings of your panels, so this date comes from the calendar: {rule}.",
        "rule": "one wash every {months} months",
        "rule_month": "one wash every month",
        "price": "A wash costs {price}.",
        "costs": " Dirt now costs you about {value} a month (estimate, likely {low} to {high}).",
        "cheaper": " By your readings, a wash is then likely cheaper than waiting.",
        "payback": " It is earned back in about {months} months if no rain cleans the panels first.",
        "payback_month": " It is earned back in about a month if no rain cleans the panels first.",
        "pays_not": " Dirt now costs you no more than about {high} a month (estimate): in money alone the wash does "
        "not pay within a year.",
        "pays_maybe": " Dirt may cost you anything from {low} to {high} a month (estimate), so we cannot tell whether "
        "it pays.",
        "pays_unknown": " Without an estimate of the loss we cannot tell whether it pays.",
        "loss": "{mid} (likely {low} to {high})",
        "loss_unknown": "an unknown share",
        "since": " about {day}",
        "gained": "It gained about {mid} of their output (likely {low} to {high}).",
        "gained_nothing": "We could not measure a gain: the estimate is {mid} of their output (likely {low} to "
        "{high}), which may be nothing.",
        "visit": "{time}, {customer}, {address}",
        "cost": "The price is {price}. ",
        "upload": "upload it here: {link}",
        "attach": "answer this mail with the file attached.",
        "lead": "{customer}, {site}: {why}",
        "footer": "{business}, {address}\nYou get this mail because {reason}.",
        "stop": "Stop these mails",
        "choose": "Choose which mails you get",
        "because_customer": "you agreed to hear from us about your panels",
        "because_booked": "you booked a visit",
        "because_staff": "you work for {business}",
    },
    "es": {
        "readings": "Sus lecturas dicen que su producción está un {loss} por debajo de la que tendrían limpios.",
        "readings_no_loss": "Así lo dicen sus lecturas.",
        "calendar": "Sus lecturas no permiten saber cuánta suciedad tienen, así que la fecha sale del calendario: "
        "{rule}.",
        "calendar_blind": "No tenemos lecturas de sus paneles, así que la fecha sale del calendario: {rule}.",
        "rule": "un lavado cada {months} meses",
        "rule_month": "un lavado cada mes",
        "price": "Un lavado cuesta {price}.",
        "costs": " Ahora la suciedad le cuesta unos {value} al mes (estimación, probablemente entre {low} y {high}).",
        "cheaper": " Según sus lecturas, lavar entonces sale probablemente más barato que esperar.",
        "payback": " El lavado se amortiza en unos {months} meses si la lluvia no limpia antes los paneles.",
        "payback_month": " El lavado se amortiza en un mes más o menos si la lluvia no limpia antes los paneles.",
        "pays_not": " Ahora la suciedad le cuesta como mucho unos {high} al mes (estimación): solo en dinero, el "
        "lavado no compensa en un año.",
        "pays_maybe": " La suciedad puede costarle desde {low} hasta {high} al mes (estimación), así que no podemos "
        "decir si compensa.",
        "pays_unknown": " Sin una estimación de la pérdida no podemos decir si compensa.",
        "loss": "{mid} (probablemente del {low} al {high})",
        "loss_unknown": "porcentaje desconocido",
        "since": " hacia el {day}",
        "gained": "Con ello recuperaron alrededor del {mid} de su producción (probablemente del {low} al {high}).",
        "gained_nothing": "No pudimos medir una ganancia: la estimación es del {mid} de su producción (probablemente "
        "del {low} al {high}), que puede ser nada.",
        "visit": "{time}, {customer}, {address}",
        "cost": "El precio es de {price}. ",
        "upload": "súbalo aquí: {link}",
        "attach": "responda a este correo adjuntando el archivo.",
        "lead": "{customer}, {site}: {why}",
        "footer": "{business}, {address}\nRecibe este correo porque {reason}.",
        "stop": "No recibir más correos",
        "choose": "Elegir qué correos recibo",
        "because_customer": "aceptó que le escribamos sobre sus paneles",
        "because_booked": "reservó una visita",
        "because_staff": "trabaja en {business}",
    },
}
