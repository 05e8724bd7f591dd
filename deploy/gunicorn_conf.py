"""How the web server runs, embedded and in production alike; `bind` comes from the command line."""

wsgi_app = "portal.wsgi:application"
preload_app = True  # the workers share the memory of pandas and pvlib
workers = 2
worker_class = "gthread"
threads = 4
timeout = 60
graceful_timeout = 5
max_requests = 5000
max_requests_jitter = 500
accesslog = "-"
